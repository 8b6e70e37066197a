"""The shelf of baths: descriptions, charge, and the prediction for the next run."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean

from controller.config import Settings
from controller.errors import RefusedError
from controller.logbook.bath_reader import BathReader, PastBathRun
from controller.logbook.entries import BathSaved, ReadingTaken
from controller.logbook.logbook import Logbook
from controller.logbook.reader import RunRecord
from controller.logbook.stored_readings import reading_of, standing
from controller.physics.attack import AttackRate
from controller.physics.coupon import Coupon
from controller.physics.faraday import METALS, Metal, removed_mass_g
from controller.physics.learning import Learner, PastRun, learn_from_bath
from controller.physics.readings import Reading
from controller.planning.json_form import request_from_json
from controller.planning.past_attack import past_with_acid, taught_pace
from controller.planning.plan import Knowledge, planned_metal
from controller.planning.request import TYPED_AREA_UNCERTAINTY_FRACTION, PlanRequest, growth_of
from controller.ports import Calculate, Clock, calculate_here
from controller.recording.bath_card import (
    NO_CARD,
    AcidCard,
    attack_in,
    strength_mol_per_l,
    with_card,
    with_coupon,
)
from controller.units import SECONDS_PER_HOUR, positive

MAX_NAME = 60


@dataclass(frozen=True, slots=True)
class BathState:
    """A bath and its history in figures.

    :param runs: runs that used it.
    :param charge_ah: charge of these runs.
    :param dissolved_g: metal dissolved in it, by Faraday's law and the learned bite factor.
    :param bite_factor: best estimate for its next run; its logarithm has ``bite_factor_sd``.
    :param etch_factor: best estimate, with its 10 % and 90 % points.
    :param acid_mol_per_l: strength of its acid, or None when its card does not say.
    :param attack_rate: rate of the acid's own attack on bare metal.
    """

    bath: BathSaved
    runs: int
    charge_ah: float
    dissolved_g: float
    readings: int
    bite_factor: float
    bite_factor_sd: float
    etch_factor: float
    etch_factor_low: float
    etch_factor_high: float
    acid_mol_per_l: float | None
    attack_rate: AttackRate


class BathShelf:
    """Baths, their readings, and the predictions from them. Safe from any thread.

    The loop calls ``keep`` only: everything else reads the disk. New entries go to the queue of the
    logbook at once, and are kept here too until they are written.

    :param calculate: calls what takes long, in another process where there is one.
    """

    def __init__(
        self,
        logbook: Logbook,
        reader: BathReader,
        clock: Clock,
        settings: Settings,
        calculate: Calculate = calculate_here,
    ) -> None:
        self._logbook = logbook
        self._reader = reader
        self._clock = clock
        self._settings = settings
        self._calculate = calculate
        self._lock = threading.Lock()
        self._new_baths: dict[str, BathSaved] = {}
        self._new_readings: list[ReadingTaken] = []

    # --- baths ----------------------------------------------------------------------------------

    def save(
        self,
        name: str,
        metal: str,
        acid: str,
        volume_l: float | None,
        made_up_on: str | None,
        note: str,
        *,
        is_retired: bool = False,
        card: AcidCard = NO_CARD,
    ) -> BathSaved:
        """Describe a bath, new or known. Raises: RefusedError for wrong values or another metal."""
        name = name.strip()
        if not 0 < len(name) <= MAX_NAME:
            raise RefusedError(
                "run.bath.name_length", field="name", limit_length=MAX_NAME, length=len(name)
            )
        planned_metal(metal, self._settings)
        reason = METALS[metal].not_in_nitric_because
        if reason is not None:
            raise RefusedError(
                "run.bath.not_in_nitric",
                field="metal",
                metal=METALS[metal].title,
                reason=reason,
            )
        if volume_l is not None:
            positive(volume_l, "volume_l", "L")
        if made_up_on is not None:
            try:
                date.fromisoformat(made_up_on)
            except ValueError as error:
                raise RefusedError(
                    "run.bath.not_a_date", field="made_up_on", date=repr(made_up_on)
                ) from error
        card.refuse_impossible()
        known = next((bath for bath in self.baths() if bath.name == name), None)
        if known is not None and known.metal != metal:
            raise RefusedError(
                "run.bath.other_metal", field="metal", bath=repr(name), own_metal=known.metal
            )
        bath = BathSaved(
            name, metal, acid, volume_l, made_up_on, note, is_retired, self._clock.utc_now()
        )
        return self._keep_bath(with_card(bath, card, known))

    def weigh_coupon(self, name: str, coupon: Coupon) -> BathSaved:
        """Keep the rate of attack that a coupon showed. Raises: RefusedError."""
        bath = self.bath(name)
        metal = planned_metal(bath.metal, self._settings)
        return self._keep_bath(with_coupon(bath, coupon, metal, self._clock.utc_now()))

    def _keep_bath(self, bath: BathSaved) -> BathSaved:
        with self._lock:
            self._new_baths[bath.name] = bath
        self._logbook.put(bath)
        return bath

    def baths(self) -> tuple[BathSaved, ...]:
        """Return the newest description of every bath, newest bath first."""
        stored = {bath.name: bath for bath in self._reader.baths()}
        with self._lock:
            new = dict(self._new_baths)
        fresh = [bath for name, bath in reversed(new.items()) if name not in stored]
        return (*fresh, *(new.get(name, bath) for name, bath in stored.items()))

    def bath(self, name: str) -> BathSaved:
        """Return a bath. Raises: RefusedError for an unknown name."""
        for bath in self.baths():
            if bath.name == name:
                return bath
        raise RefusedError("run.bath.unknown", field="bath", bath=repr(name))

    def state(self, name: str) -> BathState:
        """Return a bath with its figures. Raises: RefusedError."""
        bath = self.bath(name)
        metal = planned_metal(bath.metal, self._settings)
        learner, readings, _ = self._learner(bath, metal, TYPED_AREA_UNCERTAINTY_FRACTION)
        runs, charge_coulombs = self._reader.carried(name)
        bite_factor, bite_factor_sd = learner.bite_factor()
        low, high = learner.belief().etch_factor_range()
        return BathState(
            bath=bath,
            runs=runs,
            charge_ah=charge_coulombs / SECONDS_PER_HOUR,
            dissolved_g=removed_mass_g(charge_coulombs, metal, bite_factor),
            readings=readings,
            bite_factor=bite_factor,
            bite_factor_sd=bite_factor_sd,
            etch_factor=learner.belief().best_etch_factor,
            etch_factor_low=low,
            etch_factor_high=high,
            acid_mol_per_l=strength_mol_per_l(bath),
            attack_rate=attack_in(bath, metal),
        )

    # --- what is known --------------------------------------------------------------------------

    def knowledge(self, request: PlanRequest) -> Knowledge:
        """Return what is known from earlier runs about a request.

        Raises: RefusedError for an unknown bath, a retired one, or one for another metal.
        """
        densest = self._reader.densest_finished_a_per_dm2(request.metal)
        if request.bath is None:
            return Knowledge(densest_tried_a_per_dm2=densest)
        bath = self.bath(request.bath)
        if bath.metal != request.metal:
            raise RefusedError(
                "run.bath.wrong_plate",
                field="bath",
                bath=repr(bath.name),
                own_metal=bath.metal,
                metal=request.metal,
            )
        if bath.is_retired:
            raise RefusedError("run.bath.retired", field="bath", bath=repr(bath.name))
        metal = planned_metal(request.metal, self._settings)
        learner, _, pace = self._learner(bath, metal, request.area_uncertainty_fraction)
        runs, _ = self._reader.carried(bath.name)
        return Knowledge(learner, runs, densest, attack_in(bath, metal), pace)

    def _learner(self, bath: BathSaved, metal: Metal, area_sd: float) -> tuple[Learner, int, float]:
        """Return the belief about the bath's next run.

        Beside it, how many valid readings support it, and at what pace: see Knowledge.
        """
        with self._lock:
            new = tuple(self._new_readings)
        tolerance = self._settings.rig.shunt_tolerance_fraction
        attack = attack_in(bath, metal)
        return self._calculate(
            _learned, self._reader, bath.name, new, metal, area_sd, tolerance, attack
        )

    # --- readings -------------------------------------------------------------------------------

    def readings(self, run_id: str) -> tuple[ReadingTaken, ...]:
        """Return all readings of a run, oldest first, replaced and withdrawn ones too."""
        return tuple(
            r for r in self._merged(self._reader.readings_of_run(run_id)) if r.run_id == run_id
        )

    def run(self, run_id: str) -> RunRecord:
        """Return a past run with its plan. Raises: UnknownRunError, LogbookUnreadableError."""
        return self._reader.run(run_id)

    def keep(self, taken: ReadingTaken) -> None:
        """Keep a reading, a correction or a withdrawal. It counts from now on.

        Never waits for the disk, so the loop may call it. Raises: LogbookFullError; nothing was
        kept then.
        """
        with self._lock:
            self._logbook.keep(taken)
            self._new_readings.append(taken)

    def _merged(self, stored: tuple[ReadingTaken, ...]) -> tuple[ReadingTaken, ...]:
        """Return the stored readings and those of this process that are still waiting."""
        with self._lock:
            return _merged(stored, self._new_readings)


def _merged(
    stored: tuple[ReadingTaken, ...], new: Sequence[ReadingTaken]
) -> tuple[ReadingTaken, ...]:
    known = {reading.reading_id for reading in stored}
    return (*stored, *(reading for reading in new if reading.reading_id not in known))


def _learned(
    reader: BathReader,
    name: str,
    new: tuple[ReadingTaken, ...],
    metal: Metal,
    area_sd: float,
    shunt_tolerance_fraction: float,
    attack: AttackRate,
) -> tuple[Learner, int, float]:
    """Return what the readings of a bath teach, how many are valid, and their mean pace.

    Takes long: 1 ms each.
    """
    by_run: dict[str, list[Reading]] = {}
    for taken in standing(_merged(reader.readings_of_bath(name), new)):
        by_run.setdefault(taken.run_id, []).append(reading_of(taken.kind, taken.body))
    history = [run for run in reader.history(name) if run.run_id in by_run]
    past = [_past_run(run, by_run[run.run_id], attack, metal) for run in history]
    learner = learn_from_bath(metal, past, area_sd, shunt_tolerance_fraction)
    paces = [taught_pace(run.plan, attack, metal) for run in history]
    return learner, sum(len(run.readings) for run in past), fmean(paces) if paces else 0.0


def _past_run(
    run: PastBathRun, readings: list[Reading], attack: AttackRate, metal: Metal
) -> PastRun:
    request = request_from_json(run.plan["request"])
    seen = tuple(past_with_acid(run.plan, attack, metal, reading) for reading in readings)
    return PastRun(growth_of(request), request.area_uncertainty_fraction, seen)
