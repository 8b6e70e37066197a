"""Models that take their figures from the declaration in ``controller/figures.py``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar, get_type_hints

from pydantic import BaseModel, create_model

from api.http.models.base import NO_UNIT, said, unit_of

Model = TypeVar("Model", bound=BaseModel)


def with_figures(
    kind: type[Any], described: Mapping[str, tuple[str, float]]
) -> Callable[[type[Model]], type[Model]]:
    """Return a class decorator that adds figures to a model, after its own fields.

    A figure that the model names itself keeps its place and gets its description.

    :param kind: the dataclass that the values come from; it gives the types.
    :param described: description and example of each figure.
    """
    types = get_type_hints(kind)
    figures: dict[str, Any] = {
        name: (types[name], said(text, unit_of(name) or NO_UNIT, example))
        for name, (text, example) in described.items()
    }

    def decorated(model: type[Model]) -> type[Model]:
        return create_model(
            model.__name__,
            __base__=model,
            __module__=model.__module__,
            __doc__=model.__doc__,
            **figures,
        )

    return decorated
