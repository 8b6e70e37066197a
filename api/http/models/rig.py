"""The rig check with the relay off, and the rehearsal's truth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, said
from api.http.models.status import Reason, RelayField, rendered
from controller.messages import RunState, Snapshot
from controller.safety.checks import CheckItem, CheckReport

NOT_PROVEN = (
    "That the relay's contact is open: a welded contact shows only while the supply is switched on and its leads are connected.",
    "That the plate has contact and the right polarity: judged in the first seconds of a run.",
    "That the clips are not swapped at the cell: look for gas at the minus plate and even matting of the work after 30 s.",
)
"""What no reading with the relay off can show."""


class RigCheckItem(Answer):
    """One line of the rig check."""

    name: Annotated[str, said("What was checked.", NO_UNIT, "zero offset")]
    passed: Annotated[bool, said("Whether it is within the limit.", NO_UNIT, True)]
    value: Annotated[
        float | None,
        said("What was read; null where there is no number.", "the one in unit", 0.0012),
    ]
    limit: Annotated[float | None, said("Limit of the value.", "the one in unit", 0.008)]
    unit: Annotated[str, said("Unit of value and limit.", NO_UNIT, "A")]
    note: Annotated[str, said("What it means.", NO_UNIT, "It is taken out of every sample.")]

    @classmethod
    def of(cls, item: CheckItem) -> RigCheckItem:
        """Return a line of the check."""
        return cls(
            name=item.name,
            passed=item.passed,
            value=item.value,
            limit=item.limit,
            unit=item.unit,
            note=str(item.note),
        )


class RigCheck(Answer):
    """The rig check with the relay off. It never switches anything on."""

    passed: Annotated[bool, said("Whether all that could be checked is well now.", NO_UNIT, True)]
    message: Annotated[
        str | None,
        said(
            "What is wrong, or why nothing can be told now, and what to do.",
            NO_UNIT,
            "Check the sensor's wires.",
        ),
    ]
    reason: Reason
    items: Annotated[
        tuple[RigCheckItem, ...],
        said(
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
    zero_offset_a: Annotated[float | None, said("Mean reading without current.", "A", 0.0012)]
    proven: Annotated[
        tuple[str, ...],
        said(
            "What the readings prove.",
            NO_UNIT,
            ["No current flows through the shunt with the relay off."],
        ),
    ]
    not_proven: Annotated[
        tuple[str, ...], said("What they cannot prove.", NO_UNIT, [NOT_PROVEN[0]])
    ]
    host_notes: Annotated[
        tuple[str, ...],
        said("What is to be known of the machine.", NO_UNIT, ["strict_gpiod is not set"]),
    ]
    relay_on: RelayField

    @classmethod
    def of(
        cls,
        report: CheckReport | None,
        snapshot: Snapshot,
        max_sample_age_s: float,
        host_notes: Sequence[str],
    ) -> RigCheck:
        """Return the check in a report on the newest samples with the relay off, None when there are too few.

        The readings count only while they are fresh: not in a run, not with a sensor that is silent.
        """
        age_s = snapshot.sample_age_s
        answers = (
            snapshot.sensor_message is None and age_s is not None and age_s <= max_sample_age_s
        )
        at_work = snapshot.state in (RunState.CHECKING, RunState.RUNNING)
        message = None
        if at_work:
            message = f"The bench is {snapshot.state.value}: the readings are from before. Ask again when the relay is off."
        elif not answers:
            message = (
                str(snapshot.sensor_message)
                if snapshot.sensor_message is not None
                else "The sensor has sent nothing lately: check its supply and wires."
            )
        elif report is None:
            message = (
                "There are too few readings with the relay off yet: wait two seconds and ask again."
            )
        elif report.finding is not None:
            message = str(report.finding.message)
        elif snapshot.relay_on:
            message = "The relay output reads on outside a run: look at the supply's own ammeter, then restart the service."
        passed = message is None and not snapshot.relay_welded
        items = (
            RigCheckItem(
                name="sensor",
                passed=answers,
                value=age_s,
                limit=max_sample_age_s,
                unit="s",
                note="age of the newest reading" if answers else "it does not answer",
            ),
            RigCheckItem(
                name="relay output",
                passed=at_work or not snapshot.relay_on,
                value=None,
                limit=None,
                unit="",
                note="reads on"
                if snapshot.relay_on
                else "reads off: this is the output's level, not the contact",
            ),
            *(() if report is None else tuple(RigCheckItem.of(item) for item in report.items)),
        )
        return cls(
            passed=passed,
            message=message if message or passed else rendered(snapshot.message),
            reason=report.finding.reason
            if report is not None and report.finding is not None
            else snapshot.reason,
            items=items,
            zero_offset_a=None if report is None else report.zero_offset_a,
            proven=_proven(report) if passed else (),
            not_proven=NOT_PROVEN,
            host_notes=tuple(host_notes),
            relay_on=snapshot.relay_on,
        )


def _proven(report: CheckReport | None) -> tuple[str, ...]:
    if report is None:
        return ()
    return (
        f"The sensor answers, and its zero of {report.zero_offset_a * 1000:.2f} mA is within the limit.",
        "No current flows through the shunt with the relay off.",
    )


class RehearsalTruth(Answer):
    """What really happened on the rehearsal bench, which the controller does not know."""

    charge_coulombs: Annotated[float, said("True charge through the shunt.", "C", 1801.9)]
    cell_charge_coulombs: Annotated[
        float, said("The part of it that went through the plate.", "C", 1801.9)
    ]
    depth_mm: Annotated[float, said("True depth of the etched floor.", "mm", 0.2501)]
    deepest_mm: Annotated[
        float, said("True depth of its deepest place: edges may run deeper.", "mm", 0.2502)
    ]
    volume_mm3: Annotated[float, said("True volume removed.", "mm3", 191.9)]
    mass_g: Annotated[float, said("True metal removed.", "g", 2.015)]
    heat_j: Annotated[float, said("Electrical energy that went into the bath.", "J", 5400.0)]
    bath_degc: Annotated[float, said("Bath temperature.", "degC", 22.3)]
    relay_on: Annotated[bool, said("Whether the relay's coil is energised.", NO_UNIT, False)]
    contact_closed: Annotated[bool, said("Whether current can flow.", NO_UNIT, False)]
    first_on_at_s: Annotated[
        float | None,
        said(
            "Monotonic time of the rehearsal at which the coil was first energised.", "s", 48211.25
        ),
    ]
    fault_at_s: Annotated[
        float | None, said("The same for the first fault; null without one.", "s", 48271.25)
    ]
    off_after_fault_s: Annotated[
        float | None, said("From the first fault to the next breaking of the contact.", "s", 0.14)
    ]
