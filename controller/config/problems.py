"""What is wrong with a key of the configuration, for a person."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from controller.config.nearest import nearest
from controller.config.rig import LOW_PIN_FORM, PIN_FORM, THERMOMETER_FORM
from controller.config.section import ContradictionError
from controller.config.services import HOST_FORM, MetalSettings
from controller.config.settings import Settings
from controller.config.shown import shown, unit_of, with_unit
from controller.errors import RefusedError
from controller.texts import Message

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

_BOUNDS = {
    "greater_than": ("config.above", "gt"),
    "greater_than_equal": ("config.at_least", "ge"),
    "less_than": ("config.below", "lt"),
    "less_than_equal": ("config.at_most", "le"),
}

_FORMS = {
    PIN_FORM: "config.form.pin",
    LOW_PIN_FORM: "config.form.low_pin",
    THERMOMETER_FORM: "config.form.thermometer",
    HOST_FORM: "config.form.host",
}

_TYPES = {
    "finite_number": "config.type.finite",
    "int_type": "config.type.whole",
    "int_from_float": "config.type.whole",
    "bool_type": "config.type.yes_or_no",
    "string_type": "config.type.text",
    "path_type": "config.type.text",
    "model_type": "config.type.table",
    "model_attributes_type": "config.type.table",
    "dict_type": "config.type.table",
    "tuple_type": "config.type.list",
}


def problems_of(error: ErrorDetails) -> Sequence[Message]:
    """Return what is wrong: key, value with unit, what is allowed, what to do.

    :param error: as pydantic reports it.
    """
    kind, context = error["type"], error.get("ctx", {})
    path = [part for part in error["loc"] if isinstance(part, str)]
    if kind == "extra_forbidden":
        return [_unknown(path, error["input"])]
    refused = context.get("error")
    if isinstance(refused, ContradictionError):
        return refused.problems
    if isinstance(refused, RefusedError):
        return [refused.message]
    return [_wrong_value(kind, context, path, error["input"])]


def _wrong_value(kind: str, context: Mapping[str, Any], path: Sequence[str], given: Any) -> Message:
    name = path[-1] if path else ""
    values = {"key_name": ".".join(path), "value": shown(given, name)}
    if kind in _BOUNDS:
        key, bound = _BOUNDS[kind]
        return Message(key, {**values, "limit": with_unit(context[bound], name)})
    if kind == "float_type":
        if unit := unit_of(name):
            return Message("config.type.number_in", {**values, "unit": unit})
        return Message("config.type.number", values)
    if kind == "literal_error":
        return Message("config.choice", {**values, "choices": context["expected"]})
    if name.endswith("_pin") and (near := _near_pin(given)) is not None:
        return Message("config.form.pin_near", {**values, "near": repr(near)})
    key = _FORMS.get(context.get("pattern", "")) or _TYPES.get(kind, "config.other")
    return Message(key, values)


def _near_pin(given: Any) -> str | None:
    """Return the pin that was probably meant by 17, "17", "gpio17" or "BCM 17", or None."""
    number = re.fullmatch(r"(?i)\s*(?:gpio|bcm|io)?[\s_-]*0*(\d{1,2})\s*", str(given))
    if number is None or str(given) == f"GPIO{number[1]}":
        return None
    pin = f"GPIO{number[1]}"
    return pin if re.fullmatch(LOW_PIN_FORM, pin) else None


def _unknown(path: Sequence[str], given: Any) -> Message:
    """Return that a key or a table does not exist, with the nearest one that does."""
    name = ".".join(path)
    if len(path) == 1 and isinstance(given, Mapping):
        near = nearest(name, list(Settings.model_fields))
        if near is None:
            known = ", ".join(Settings.model_fields)
            return Message("config.unknown_table", {"table": name, "known": known})
        return Message("config.unknown_table_near", {"table": name, "near": near})
    near = _nearest_key(path)
    if near is None:
        return Message("config.unknown_key", {"key_name": name})
    return Message("config.unknown_key_near", {"key_name": name, "near": near})


def _nearest_key(path: Sequence[str]) -> str | None:
    """Return the known key that is most like the given one, in whatever table it is."""
    *table, name = path
    if table[:1] == ["metals"]:
        near = nearest(name, list(MetalSettings.model_fields))
        return None if near is None else ".".join([*table, near])
    tables: dict[str, str] = {}
    for other, field in Settings.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            tables |= dict.fromkeys(field.annotation.model_fields, other)
    near = nearest(name, list(tables))
    return None if near is None else f"{tables[near]}.{near}"
