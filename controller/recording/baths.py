"""The shelf of baths: descriptions, charge, and the prediction for the next run."""

from __future__ import annotations

import threading
import uuid
from dataclasses import dataclass
from datetime import date, datetime

from controller.config import Settings
from controller.errors import RefusedError
from controller.logbook.bath_reader import BathReader
from controller.logbook.entries import BathEvent, BathEventKind, BathSaved, ReadingTaken
from controller.logbook.logbook import Logbook
from controller.logbook.reader import RunRecord
from controller.physics.attack import AttackRate
from controller.physics.coupon import Coupon
from controller.physics.faraday import METALS, Metal, removed_mass_g
from controller.planning.knowledge import Knowledge
from controller.planning.plan import planned_metal
from controller.planning.request import TYPED_AREA_UNCERTAINTY_FRACTION, PlanRequest
from controller.ports import Calculate, Clock, calculate_here
from controller.recording.bath_card import (
    NO_CARD,
    AcidCard,
    attack_in,
    strength_mol_per_l,
    with_card,
    with_coupon,
)
from controller.recording.bath_past import News, Taught, merged, taught
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
    :param spread_fraction: run-to-run spread of the bite factor.
    :param fresh_acid_at_utc: when it last got fresh acid, or None.
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
    spread_fraction: float
    fresh_acid_at_utc: datetime | None
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
        self._new_events: list[BathEvent] = []

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

    def fresh_acid(self, name: str, note: str = "") -> BathEvent:
        """Note that a bath has got fresh acid: its bite factor starts again, and nothing else.

        Raises: RefusedError for an unknown or a retired bath, LogbookFullError.
        """
        bath = self.bath(name)
        if bath.is_retired:
            raise RefusedError("run.bath.retired", field="bath", bath=repr(bath.name))
        event = BathEvent(
            uuid.uuid4().hex[:12],
            bath.name,
            BathEventKind.FRESH_ACID,
            self._clock.utc_now(),
            {"note": note},
        )
        with self._lock:
            self._logbook.keep(event)
            self._new_events.append(event)
        return event

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
        known = self._taught(bath, metal, TYPED_AREA_UNCERTAINTY_FRACTION)
        learner = known.learner
        runs, charge_coulombs = self._reader.carried(name)
        charge_coulombs += known.notebook_coulombs
        bite_factor, bite_factor_sd = learner.bite_factor()
        low, high = learner.belief().etch_factor_range()
        return BathState(
            bath=bath,
            runs=runs + known.notebook_runs,
            charge_ah=charge_coulombs / SECONDS_PER_HOUR,
            dissolved_g=removed_mass_g(charge_coulombs, metal, bite_factor),
            readings=known.readings,
            bite_factor=bite_factor,
            bite_factor_sd=bite_factor_sd,
            etch_factor=learner.belief().best_etch_factor,
            etch_factor_low=low,
            etch_factor_high=high,
            spread_fraction=known.spread[0],
            fresh_acid_at_utc=known.fresh_acid_at_utc,
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
        known = self._taught(bath, metal, request.area_uncertainty_fraction)
        runs, _ = self._reader.carried(bath.name)
        attack = attack_in(bath, metal)
        return Knowledge(
            known.learner,
            runs + known.notebook_runs,
            densest,
            attack,
            known.pace_s_mm2_per_coulomb,
        )

    def _taught(self, bath: BathSaved, metal: Metal, area_sd: float) -> Taught:
        """Return what the past of a bath and of its neighbours teaches about its next run."""
        with self._lock:
            news = News(tuple(self._new_readings), tuple(self._new_events))
        others = [b.name for b in self.baths() if b.metal == bath.metal and b.name != bath.name]
        names = (bath.name, *sorted(others))
        tolerance = self._settings.rig.shunt_tolerance_fraction
        attacks = tuple(attack_in(self.bath(each), metal) for each in names)
        return self._calculate(
            taught, self._reader, names, news, metal, area_sd, tolerance, attacks
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
            return merged(stored, self._new_readings)
