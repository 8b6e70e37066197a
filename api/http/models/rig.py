"""The rig check with the relay off, and the true values of a rehearsal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described
from api.http.models.status import Reason, RelayField
from controller.running.rig_report import NOT_PROVEN, RigLine, RigReport


class RigCheckItem(Answer):
    """One line of the rig check."""

    name: Annotated[str, described("What was checked.", NO_UNIT, "zero offset")]
    passed: Annotated[bool, described("Whether it is within the limit.", NO_UNIT, True)]
    value: Annotated[
        float | None,
        described("What was read; null where there is no number.", "the one in unit", 0.0012),
    ]
    limit: Annotated[float | None, described("Limit of the value.", "the one in unit", 0.008)]
    unit: Annotated[str, described("Unit of value and limit.", NO_UNIT, "A")]
    note: Annotated[
        str, described("What it means.", NO_UNIT, "It is subtracted from every sample.")
    ]

    @classmethod
    def of(cls, line: RigLine) -> RigCheckItem:
        """Return a line of the check."""
        return cls(
            name=line.name,
            passed=line.passed,
            value=line.value,
            limit=line.limit,
            unit=line.unit,
            note=str(line.note),
        )


class RigCheck(Answer):
    """The rig check with the relay off. It never switches anything on."""

    passed: Annotated[
        bool, described("Whether all that could be checked is in order now.", NO_UNIT, True)
    ]
    message: Annotated[
        str | None,
        described(
            "What is wrong, or why nothing can be said now, and what to do.",
            NO_UNIT,
            "Check the sensor's wires.",
        ),
    ]
    reason: Reason
    items: Annotated[
        tuple[RigCheckItem, ...],
        described(
            "What was checked.",
            NO_UNIT,
            [
                {
                    "name": "zero offset",
                    "passed": True,
                    "value": 0.0012,
                    "limit": 0.008,
                    "unit": "A",
                    "note": "taken out",
                }
            ],
        ),
    ]
    zero_offset_a: Annotated[float | None, described("Mean reading without current.", "A", 0.0012)]
    proven: Annotated[
        tuple[str, ...],
        described(
            "What the readings prove.",
            NO_UNIT,
            ["No current flows through the shunt with the relay off."],
        ),
    ]
    not_proven: Annotated[
        tuple[str, ...],
        described(
            "What they cannot prove.",
            NO_UNIT,
            ["That the relay's contact is open."],
        ),
    ]
    host_notes: Annotated[
        tuple[str, ...],
        described("Notes on the machine.", NO_UNIT, ["strict_gpiod is not set"]),
    ]
    relay_on: RelayField

    @classmethod
    def of(cls, report: RigReport, host_notes: Sequence[str]) -> RigCheck:
        """Return a report with the notes on the machine."""
        return cls(
            passed=report.passed,
            message=None if report.message is None else str(report.message),
            reason=report.reason,
            items=tuple(RigCheckItem.of(line) for line in report.lines),
            zero_offset_a=report.zero_offset_a,
            proven=tuple(str(it) for it in report.proven),
            not_proven=tuple(str(it) for it in NOT_PROVEN),
            host_notes=tuple(host_notes),
            relay_on=report.relay_on,
        )


class RehearsalTruth(Answer):
    """The true values of the rehearsal rig. The controller does not know them."""

    charge_coulombs: Annotated[float, described("True charge through the shunt.", "C", 1801.9)]
    cell_charge_coulombs: Annotated[
        float, described("The part of it that flowed through the plate.", "C", 1801.9)
    ]
    depth_mm: Annotated[float, described("True depth of the etched floor.", "mm", 0.2501)]
    deepest_mm: Annotated[
        float,
        described(
            "True depth of its deepest place. Edges may be deeper than the floor.", "mm", 0.2502
        ),
    ]
    volume_mm3: Annotated[float, described("True volume removed.", "mm3", 191.9)]
    mass_g: Annotated[float, described("True metal removed.", "g", 2.015)]
    heat_j: Annotated[float, described("Electrical energy that went into the bath.", "J", 5400.0)]
    bath_degc: Annotated[float, described("Bath temperature.", "degC", 22.3)]
    relay_on: Annotated[bool, described("Whether the relay's coil is energised.", NO_UNIT, False)]
    contact_closed: Annotated[bool, described("Whether current can flow.", NO_UNIT, False)]
    first_on_at_s: Annotated[
        float | None,
        described(
            "Monotonic time of the rehearsal when the coil was first energised.", "s", 48211.25
        ),
    ]
    fault_at_s: Annotated[
        float | None, described("The same for the first fault; null without one.", "s", 48271.25)
    ]
    off_after_fault_s: Annotated[
        float | None, described("Time from the first fault until the contact opened.", "s", 0.14)
    ]
