"""The schemas carry every value of the controller.

Every field of the document has a unit and an example that fits.
"""

from __future__ import annotations

import inspect
import json
import math
import re
import sys
import unicodedata
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel, ValidationError

from api.http import live
from api.http.artworks.artwork_shelf import ArtworkShelf
from api.http.models import access as access_models
from api.http.models import artworks as artworks_models
from api.http.models import baths as baths_models
from api.http.models import commands as commands_models
from api.http.models import health as health_models
from api.http.models import metals as metals_models
from api.http.models import plan as plan_models
from api.http.models import plan_request as plan_request_models
from api.http.models import problem as problem_models
from api.http.models import reading_request as reading_request_models
from api.http.models import readings as readings_models
from api.http.models import rig as rig_models
from api.http.models import runs as runs_models
from api.http.models import status as status_models
from api.http.models.base import NO_UNIT, PLAIN_TEXT, Answer, RequestModel, unit_of
from api.http.models.plates import artwork_request as artwork_request_models
from api.http.plan_requests import request_of
from controller.artwork.result import ArtworkMeasure, LinePlace
from controller.config import Settings
from controller.logbook.entries import BathSaved, Progress, RawSample, ReadingTaken
from controller.logbook.health import LogbookHealth
from controller.logbook.reader import CurvePoint, MeanSample, RunSummary, StoredEvent
from controller.messages import Finding, RunState, Snapshot, TripReason
from controller.physics.readings import GaugeReading, Weighing
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from controller.planning.request import NarrowLine, PlanRequest
from controller.recording.baths import BathState
from controller.running.rig_report import RigLine, RigReport
from controller.texts import Message, text
from hardware.clock import SystemClock
from hardware.rehearsal.spec import RehearsalTruth
from tests.kits.api_client import SILVER
from tests.running.test_rig_report import idle

MODULES = (
    live,
    access_models,
    artwork_request_models,
    artworks_models,
    baths_models,
    commands_models,
    health_models,
    metals_models,
    plan_models,
    plan_request_models,
    problem_models,
    reading_request_models,
    readings_models,
    rig_models,
    runs_models,
    status_models,
)
BASES = (Answer, RequestModel, reading_request_models._ReadingBody)
MODELS = sorted(
    {
        thing
        for module in MODULES
        for thing in vars(module).values()
        if inspect.isclass(thing) and issubclass(thing, BaseModel) and thing not in BASES
    },
    key=lambda model: model.__name__,
)


def names(dataclass: type[Any]) -> set[str]:
    return {field.name for field in fields(dataclass)}


def test_status_has_all_fields() -> None:
    """Status has every field of the snapshot, and those that scripts rely on."""
    fixed = {
        "state", "reason", "depth_mm", "depth_low_mm", "depth_high_mm", "target_depth_mm",
        "charge_coulombs", "current_a",
        "voltage_v", "remaining_s", "relay_on", "rig",
    }  # fmt: skip
    assert names(Snapshot) | fixed <= set(status_models.Status.model_fields)


@pytest.mark.parametrize(
    ("model", "dataclass"),
    [
        (plan_request_models.PlanRequestBody, PlanRequest),
        (runs_models.SecondTold, MeanSample),
        (runs_models.PointTold, CurvePoint),
        (runs_models.RawTold, RawSample),
        (runs_models.EventTold, StoredEvent),
        (rig_models.RehearsalTruth, RehearsalTruth),
        (plan_request_models.NarrowLineBody, NarrowLine),
        (artworks_models.LinePlaceAnswer, LinePlace),
    ],
)
def test_model_matches_dataclass(model: type[BaseModel], dataclass: type[Any]) -> None:
    assert set(model.model_fields) == names(dataclass)


def test_artwork_model_is_complete() -> None:
    assert set(artworks_models.MeasureAnswer.model_fields) == names(ArtworkMeasure) | {
        "narrowest_resist_mm",
        "narrowest_open_mm",
    }


def test_bath_model_is_complete() -> None:
    known = names(BathSaved) | names(BathState)
    inside = {"bath", "run_id", "attack_rate", "attack_sd_ln", "attack_degc"}
    rate = {"attack_low_um_per_min", "attack_high_um_per_min", "attack_source"}
    assert set(baths_models.BathAnswer.model_fields) == (known - inside) | rate


def test_reading_model_is_complete() -> None:
    known = names(ReadingTaken) | names(GaugeReading) | names(Weighing)
    assert set(readings_models.KeptReading.model_fields) == (known - {"body", "ratios"}) | {
        "why", "stands", "replaced_by", "read_depth_mm", "read_error_mm", "evenness_fraction",
    }  # fmt: skip


def test_run_model_is_complete() -> None:
    """A listed run has everything except the logbook's bookkeeping."""
    inside = (names(RunSummary) | names(Progress)) - {"progress", "number", "boot_id", "at_s"}
    assert set(runs_models.RunListed.model_fields) == inside | {"reason_title"}


def test_health_model_is_complete() -> None:
    """The logbook's health has everything except its monotonic time."""
    assert set(health_models.LogbookHealthAnswer.model_fields) == names(LogbookHealth) - {
        "failing_since_at_s"
    }


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_fields_have_unit_and_example(model: type[BaseModel]) -> None:
    example = {}
    for name, field in model.model_fields.items():
        description, unit = field.description or "", unit_of(name)
        assert description.endswith(
            f"Unit: {unit}." if unit else ("No unit.", "Unit: the one in unit.")
        ), (name, description)
        assert field.examples, name
        example[name] = field.examples[0]
    model.model_validate(example)


def test_number_names_have_units() -> None:
    """A number without a unit in its name is one of the known counts, ratios and list numbers."""
    bare = {
        (model.__name__, name)
        for model in MODELS
        for name, field in model.model_fields.items()
        if float in (field.annotation, *get_args(field.annotation)) and unit_of(name) is None
    }
    ratios = {
        "bite_factor",
        "etch_factor",
        "etch_factor_low",
        "etch_factor_high",
        "depth_ratio",
        "ratios",
        "share_of_area",
        "threshold_level",
        "water_parts",
        "spread_fraction",
        "bottle_percent",
    }
    ratios |= {
        "area_uncertainty_fraction", "evenness_fraction", "mass_fraction", "metal_removed_fraction",
        "open_fraction",
        "range_fraction",
    }  # fmt: skip
    assert {name for _, name in bare} == ratios | {
        "bite_factor_sd",
        "ratios",
        "share_of_area",
        "etch_factor_sd",
        "bath_sd",
        "run_sd",
        "value",
        "limit",
    }


def test_plan_is_the_same_everywhere(tmp_path: Path) -> None:
    """A plan is the same in the API, the logbook and the command line."""
    request = PlanRequest(
        "copper", 500.0, 0.1, current_a=1.0, edge_mm=300.0, thickness_mm=1.0, sheet_mm2=1000.0,
        bath_volume_l=2.0,
        gauge_stops_mm=(0.05,), narrow_lines=(NarrowLine(1.5, 2.5, 0.2),), narrowest_open_mm=0.3,
        artwork="ab" * 32,
        growth_mm2=((0.0, 500.0), (0.2, 560.0), (1.0, 700.0)), stop_policy="never-deeper",
        piece="fern",
    )  # fmt: skip
    plan = make_plan(request, Settings(), 16.0)
    reported = plan_models.PlanAnswer.of(plan)
    assert reported.charge_coulombs == plan.charge_coulombs
    assert reported.current_density_a_per_dm2 == pytest.approx(
        1.0 / 0.05
    )  # 1 A over 500 mm2 = 0.05 dm2
    assert request_of(reported.request, ArtworkShelf(tmp_path, SystemClock())) == plan.request
    kept = plan_to_json(plan)
    assert set(kept) - set(plan_models.PlanAnswer.model_fields) == {"believed"}, (
        "which the logbook keeps"
    )
    del kept["believed"]
    assert reported.model_dump(mode="json") == json.loads(json.dumps(kept))


def test_unseen_characters_are_refused() -> None:
    """Every control and format character but those that are seen, in Python and in the API alike.

    Seen: those with the property Prepended_Concatenation_Mark. Source: Unicode PropList.txt.
    """
    seen = {*range(0x600, 0x606), 0x6DD, 0x70F, 0x890, 0x891, 0x8E2, 0x110BD, 0x110CD}
    plain = re.compile(PLAIN_TEXT)
    for point in range(sys.maxunicode + 1):
        category = unicodedata.category(chr(point))
        if category in ("Cc", "Cf", "Zl", "Zp"):
            assert (plain.match(f"a{chr(point)}b") is not None) is (point in seen), hex(point)
        elif category in ("Ll", "Lu", "Nd", "So", "Mn", "Zs") and point < 0xE0000:
            assert plain.match(chr(point)), hex(point)
    for point in (0x200B, 0x200D, 0x200E, 0x202E, 0xAD, 0xFEFF, 0x3164, 0xE0041):
        with pytest.raises(ValidationError):
            plan_request_models.PlanRequestBody.model_validate(
                {**SILVER, "piece": f"fern{chr(point)} brooch"}
            )
    for name in ("Füllhorn № 2", "羊歯", "\u0601 12", "♥ brooch"):
        body = plan_request_models.PlanRequestBody.model_validate({**SILVER, "piece": name})
        assert body.piece == name


def test_file_name_loses_unseen() -> None:
    """Some phones put direction marks into the names of files, which no person could remove."""
    query = artwork_request_models.UploadQuery(name="\u200efern\u202e brooch.pdf\u200b")
    assert query.name == "fern brooch.pdf"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("area_mm2", "767"), ("area_mm2", True), ("area_mm2", math.nan), ("area_mm2", math.inf),
        ("area_mm2", 0.0),
        ("area_mm2", 10**400), ("depth_mm", -0.1), ("film_mm", None), ("charge_coulombs", 0.0),
        ("current_a", 0.0),
        ("pieces", 1.0), ("pieces", True),
        ("pieces", 0), ("sides", 3), ("metal", "Fine silver"), ("supply_mode", "both"),
        ("piece", "a\tb"), ("piece", "a\nb"),
        ("piece", "a\u202eb"), ("piece", "x" * 81), ("piece", "\ud800"), ("edge_mm", -1.0),
        ("growth_mm2", [[0.0, 1.0]]),
        ("growth_mm2", [[0.0, 1.0], [1.0]]), ("thickness_um", 1200.0),
        ("artwork", "A" * 64), ("artwork", "../" * 21 + "a"), ("bath", ""), ("bath", "a\x00"),
        ("bath", "x" * 61),
        ("gauge_stops_mm", [0.1] * 11), ("gauge_stops_mm", ["0.1"]), ("gauge_stops_mm", 0.1),
        ("stop_policy", "deep"),
        ("narrow_lines", [{"x_mm": 1.0}]),
        ("narrow_lines", [{"x_mm": 1.0, "y_mm": 1.0, "width_mm": 1.0}] * 201),
    ],
)  # fmt: skip
def test_input_is_never_coerced(name: str, value: object) -> None:
    with pytest.raises(ValidationError):
        plan_request_models.PlanRequestBody.model_validate({**SILVER, name: value})


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("area_mm2", 0.01, 1e6),
        ("depth_mm", 1e-4, 10.0),
        ("current_a", 1e-3, 1000.0),
        ("thickness_mm", 0.01, 100.0),
    ],
)
def test_bounds_are_inclusive(name: str, low: float, high: float) -> None:
    for value in (low, high):
        assert (
            getattr(
                plan_request_models.PlanRequestBody.model_validate({**SILVER, name: value}), name
            )
            == value
        )
    for value in (low * 0.999, high * 1.001):
        with pytest.raises(ValidationError):
            plan_request_models.PlanRequestBody.model_validate({**SILVER, name: value})


def test_rig_check_renders_messages() -> None:
    """The response has sentences where the report has messages."""
    report = RigReport(
        passed=False,
        message=Message("rig_check.too_few"),
        reason=None,
        lines=(RigLine("sensor", True, 0.02, 1.0, "s", Message("rig_check.note.sensor_age")),),
        proven=(),
        zero_offset_a=None,
        relay_on=False,
    )
    found = rig_models.RigCheck.of(report, ("strict_gpiod is not set",))
    assert found.message == text("rig_check.too_few")
    assert found.items[0].note == "age of the newest reading"
    assert len(found.not_proven) == 3
    assert any("welded" in line for line in found.not_proven)
    assert found.host_notes == ("strict_gpiod is not set",)


def test_unit_of() -> None:
    """The unit is that of the longest suffix, or None."""
    assert unit_of("current_density_a_per_dm2") == "A/dm2"
    assert unit_of("limits.depth_mm") == "mm"
    assert unit_of("pieces") is None
    assert NO_UNIT == "no unit"


def test_status_has_values_and_sentences() -> None:
    """The page shows the fields; it never takes a sentence apart."""
    finding = Finding(TripReason.OVER_VOLTAGE, 6.5, 6.0, "V")
    warning = Message("guards.warning.drift")
    snapshot = idle(
        state=RunState.TRIPPED,
        reason=finding.reason,
        finding=finding,
        message=finding.message,
        sensor_message=finding.advice,
        warnings=(warning,),
    )
    status = status_models.Status.of(
        snapshot, LogbookHealth(True, None, None, None, None, 0, None, 0), "rehearsal", "1"
    )
    assert status.finding is not None
    assert status.finding.model_dump() == {
        "reason": "over_voltage",
        "value": 6.5,
        "limit": 6.0,
        "unit": "V",
        "title": "Too much voltage",
        "what": "The cell voltage is 6.50 V, over the limit of 6.00 V.",
        "advice": str(finding.advice),
    }
    assert status.message == f"{status.finding.what} {status.finding.advice}"
    assert (status.sensor_message, status.warnings) == (str(finding.advice), (str(warning),))
    command = commands_models.CommandAnswer.model_validate(snapshot)
    assert command.message == status.message
    assert (
        status_models.Status.of(
            idle(), LogbookHealth(True, None, None, None, None, 0, None, 0), "bench", "1"
        ).finding
        is None
    )
