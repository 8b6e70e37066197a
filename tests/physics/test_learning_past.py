"""What survives a studio: drift, spread, blunders, fresh acid, people, places, other baths."""

from __future__ import annotations

import json
import math
import random
from dataclasses import asdict

import pytest

from controller.physics.learning import Learner, PastRun, learn_from_bath, new_learner
from controller.physics.learning.evenness_nodes import evenness_nodes
from controller.physics.learning.lesson import lesson_of
from controller.physics.learning.merging import compacted, for_other_bath
from controller.physics.learning.stored import learner_from_json, learner_to_json
from controller.physics.learning.volume import volume_curve
from controller.physics.places import EVENNESS_GRID
from controller.physics.readings import GaugeReading
from controller.physics.relief import MeasuredGrowth, SteinerGrowth, removed_volume_mm3
from tests.proofs.learning_coverage import AREA_SD, FINE, SHUNT_SD, SILVER, fresh

CHARGE = 2390.0
DEPTH_MM = 0.25


def read(depth_mm: float, **named: object) -> GaugeReading:
    spots = (depth_mm - 0.003, depth_mm, depth_mm + 0.003)
    return GaugeReading(CHARGE, spots, resolution_mm=0.001, **named)  # type: ignore[arg-type]


def run(depth_mm: float, *, is_fresh: bool = False, **named: object) -> PastRun:
    return PastRun(FINE, AREA_SD, (read(depth_mm, **named),), is_fresh)


def after(*runs: PastRun) -> Learner:
    return learn_from_bath(SILVER, runs, AREA_SD, SHUNT_SD)


def scattered(sd: float, count: int = 25) -> list[PastRun]:
    rng = random.Random(4)
    return [run(DEPTH_MM * math.exp(sd * rng.gauss(0, 1))) for _ in range(count)]


def test_spread_is_learned() -> None:
    """Depths that scatter by 2 and by 11 % teach a small and a large spread; 5 % is the prior."""
    assert after(*scattered(0.02)).spread()[0] < 0.04
    assert after(*scattered(0.11)).spread()[0] > 0.08


def test_blunder_teaches_little() -> None:
    """0.08 mm too deep after six runs that agree moves the next run by less than a tenth of it."""
    good = [run(DEPTH_MM) for _ in range(6)]
    before, with_blunder = after(*good), after(*good, run(DEPTH_MM + 0.08))
    assert before.next_run(AREA_SD).doubt(read(DEPTH_MM + 0.08), FINE) > 0.9
    assert with_blunder.bite_factor()[0] == pytest.approx(before.bite_factor()[0], rel=0.03)


def test_wrong_datum_is_suspected() -> None:
    """A reading that is too deep by just the film is doubted more than one between."""
    before = after(*[run(DEPTH_MM) for _ in range(12)]).next_run(AREA_SD)
    shares = [before.doubt(read(DEPTH_MM + off), FINE) for off in (0.0, 0.02, 0.045)]
    assert shares[0] < 0.1 < shares[2]
    assert shares == sorted(shares)


def test_drift_is_followed() -> None:
    """The bite factor falls by 1.5 % a run: the newest runs count most."""
    runs = [run(DEPTH_MM * math.exp(-0.015 * k)) for k in range(20)]
    forgetful, mean_ln = after(*runs), sum(-0.015 * k for k in range(20)) / 20
    assert math.log(forgetful.bite_factor()[0] / after(*runs[:1]).bite_factor()[0]) < mean_ln


def test_fresh_acid_resets_only_bite() -> None:
    """Fresh acid brings back the prior's bite factor, and keeps all else."""
    runs = [run(0.8 * DEPTH_MM, person="A") for _ in range(8)]
    used = after(*runs)
    renewed = learn_from_bath(SILVER, runs, AREA_SD, SHUNT_SD, is_fresh=True)
    assert used.bite_factor()[0] < 0.92
    assert renewed.bite_factor()[0] > 0.5 * (1.0 + used.bite_factor()[0])
    assert renewed.bite_factor()[1] > 1.2 * used.bite_factor()[1]
    assert renewed.etch_factor() == pytest.approx(used.etch_factor())
    assert renewed.spread() == pytest.approx(used.spread())
    assert renewed.offsets == used.offsets


def test_fresh_acid_between_runs() -> None:
    """The run after fresh acid counts for the new bath, those before it hardly."""
    old, new = [run(0.8 * DEPTH_MM) for _ in range(8)], [run(1.1 * DEPTH_MM, is_fresh=True)]
    told, untold = after(*old, *new), after(*old, run(1.1 * DEPTH_MM))
    assert told.bite_factor()[0] > untold.bite_factor()[0] + 0.03


def test_two_people_differ() -> None:
    """B gauges 12 um deeper than A in a bath that does not change: B's readings count as deeper."""
    runs = [run(DEPTH_MM + (0.012 if k % 2 else 0.0), person="AB"[k % 2]) for k in range(40)]
    learner = after(*runs)
    offsets = dict(
        zip(
            learner.offsets,
            [
                sum(n.weight * n.mean[4 + i] for s in learner.strands for n in s.nodes)
                for i in range(2)
            ],
            strict=True,
        )
    )
    assert 0.002 < offsets["person:B"] - offsets["person:A"] < 0.012


def test_places_teach_evenness() -> None:
    """Edge 1.36 times as deep as the middle: far more than a uniform plate gives."""
    middle = tuple(1.0 - 0.3 * e for e in EVENNESS_GRID)
    edge = tuple(1.0 + 0.6 * e for e in EVENNESS_GRID)
    for true, low, high in ((0.7, 0.5, 1.0), (0.05, 0.0, 0.3)):
        runs = [
            PastRun(
                FINE,
                AREA_SD,
                (
                    read(DEPTH_MM * (1.0 - 0.3 * true), ratios=middle),
                    read(DEPTH_MM * (1.0 + 0.6 * true), ratios=edge),
                ),
            )
            for _ in range(6)
        ]
        belief = after(*runs).belief()
        assert low < sum(c.weight * c.evenness for c in belief.components) < high
        assert len(belief.components) <= 9 * len(evenness_nodes())


def test_other_bath_of_metal() -> None:
    """A new bath takes spread and etch factor over, and of the bite factor only the mean."""
    runs = [run(0.8 * DEPTH_MM) for _ in range(8)]
    old = after(*runs)
    new = learn_from_bath(SILVER, (), AREA_SD, SHUNT_SD, [runs])
    unread = fresh().next_run(AREA_SD)
    assert old.bite_factor()[0] < new.bite_factor()[0] < unread.bite_factor()[0]
    assert new.spread()[0] == pytest.approx(old.spread()[0], rel=0.05)
    factors = [learner.etch_factor()[0] for learner in (old, new, unread)]
    assert sorted(factors) in (factors, factors[::-1]), "between the old bath and the prior"
    total = sum(strand.weight for strand in for_other_bath(old, fresh()).strands)
    assert total == pytest.approx(1.0)


def test_belief_survives_json() -> None:
    learner = after(run(0.24, person="A"), run(0.26, gauge="dial"))
    text = json.dumps(learner_to_json(learner))
    assert len(text) < 20_000
    again = learner_from_json(json.loads(text), SILVER)
    assert again == compacted(learner)
    assert again.bite_factor() == pytest.approx(learner.bite_factor())
    one, other = again.learn(read(0.27), FINE), compacted(learner).learn(read(0.27), FINE)
    assert one == other


def test_old_belief_is_readable() -> None:
    """A belief as version 0.12 stored it: bath, run and area for each etch factor."""
    covariance = [[0.0101, 0.0, 0.0], [0.0, 0.0025, 0.0], [0.0, 0.0, 0.0009]]
    nodes = [
        {"etch_factor": e, "weight": 0.5, "mean": [0.02, 0.0, 0.0], "covariance": covariance}
        for e in (1.0, 1.44)
    ]
    learner = learner_from_json(nodes, SILVER)
    assert learner.bite_factor()[0] == pytest.approx(math.exp(0.02))
    assert learner.bite_factor()[1] == pytest.approx(math.sqrt(0.0126))
    assert learner.belief().best_etch_factor == pytest.approx(1.2)
    assert learner.learn(read(0.24), FINE).bite_factor()[1] < math.sqrt(0.0126)
    with pytest.raises(ValueError, match="needs nodes"):
        learner_from_json([], SILVER)


@pytest.mark.parametrize(
    "growth",
    [
        SteinerGrowth(767.0, 1534.0),
        SteinerGrowth(767.0),
        MeasuredGrowth(((0.0, 300.0), (0.1, 420.0), (0.3, 600.0), (2.0, 900.0))),
    ],
    ids=["steiner", "no edge", "measured"],
)
def test_volume_curve(growth: SteinerGrowth) -> None:
    """The table against the integral of relief.py, within 0.4 %."""
    curve = volume_curve(growth)
    for depth_mm in (0.02, 0.1, 0.25, 0.7):
        for factor in (0.5, 1.2, 3.0):
            expected = math.log(removed_volume_mm3(depth_mm, growth, factor))
            ln_volume, slope = curve.at(depth_mm, factor)
            assert ln_volume == pytest.approx(expected, abs=0.004)
            deeper = math.log(removed_volume_mm3(1.02 * depth_mm, growth, factor))
            assert slope * 0.02 * depth_mm == pytest.approx(deeper - expected, rel=0.06)


@pytest.mark.parametrize(
    ("depth_mm", "expected"),
    [
        (0.30, "raised the bite factor from 1.00 to"),
        (0.21, "lowered the bite factor from"),
        (0.60, "does not fit and teaches little: gauge again?"),
    ],
)
def test_lesson_in_a_sentence(depth_mm: float, expected: str) -> None:
    before = fresh()
    reading = read(depth_mm)
    assert expected in str(lesson_of(before, before.learn(reading, FINE), reading, FINE))


def test_same_readings_same_belief() -> None:
    assert after(*scattered(0.05)) == after(*scattered(0.05))
    assert asdict(new_learner(SILVER, AREA_SD, SHUNT_SD)) == asdict(fresh())
