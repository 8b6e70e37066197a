"""The belief about one run in one bath, and how a reading changes it. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist

from controller.errors import RefusedError
from controller.physics.estimate import Belief, Component
from controller.physics.faraday import Metal
from controller.physics.learning.evenness_nodes import evenness_nodes
from controller.physics.learning.sight import Cell, Shown, Sight, sight_of, values_of
from controller.physics.learning.strand import FIXED, Node, Strand, dot, quadratic
from controller.physics.readings import GaugeReading, Reading
from controller.physics.relief import Growth

ASK_BEYOND_SIGMA = 3.0
"""A reading farther off than this needs a person's confirmation."""

IMPOSSIBLE_LN = 3.0
"""A reading that shows twenty times more or less metal gone than expected is about another run."""

OFFSET_SD_MM = 0.005
"""Standard deviation of a person's or a gauge's offset, mm. Common practice, no source."""
MAX_OFFSETS = 8
"""People and gauges with an offset; later ones have none."""

_PRUNE_BELOW = 1e-5
_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Learner:
    """Belief about one run in one bath.

    :param strands: one for each pair of spread and drift.
    :param offsets: who or what each offset of the state belongs to.
    """

    metal: Metal
    strands: tuple[Strand, ...]
    offsets: tuple[str, ...] = ()

    def belief(self) -> Belief:
        """Return the belief from which the depth table is made.

        One component for each etch factor and evenness; spread and drift are merged into it. The
        evenness is 0.0 in all of them until a reading has named a place: nothing is learned of it.
        """
        depth = self._direction(1.0, 1.0, -1.0)
        cells: dict[Cell, list[tuple[float, float, float]]] = {}
        for strand in self.strands:
            variance = quadratic(depth, strand.covariance)
            for node in strand.nodes:
                triple = (node.weight, dot(depth, node.mean), variance)
                cells.setdefault((node.etch_factor, node.evenness), []).append(triple)
        components = []
        for (etch_factor, evenness), parts in cells.items():
            weight, mean, variance = _merged(parts)
            component = Component(etch_factor, weight, mean, math.sqrt(variance), evenness or 0.0)
            components.append(component)
        components.sort(key=lambda c: (c.etch_factor, c.evenness))
        return Belief(tuple(components))

    def bite_factor(self) -> tuple[float, float]:
        """Return the best estimate of the bite factor (bath + run) and the sd of its logarithm."""
        return self._spread_of(1.0, 1.0)

    def bath_factor(self) -> tuple[float, float]:
        """Return the bath's own bite factor, without the run's, and the sd of its logarithm."""
        return self._spread_of(1.0, 0.0)

    def etch_factor(self) -> tuple[float, float]:
        """Return the best estimate of the etch factor, and the sd of its logarithm."""
        weights: dict[float, float] = {}
        for strand in self.strands:
            for node in strand.nodes:
                ln_factor = math.log(node.etch_factor)
                weights[ln_factor] = weights.get(ln_factor, 0.0) + node.weight
        return _between_grid(weights, self.metal.etch_factor_sd / 3.0)

    def spread(self) -> tuple[float, float]:
        """Return the run-to-run spread: sd of ln(bite factor), and the sd of its logarithm."""
        weights: dict[float, float] = {}
        for strand in self.strands:
            ln_sd = math.log(strand.run_sd)
            weights[ln_sd] = weights.get(ln_sd, 0.0) + strand.weight
        return _between_grid(weights, 0.5)

    def learn(self, reading: Reading, growth: Growth) -> Learner:
        """Return the belief after a reading.

        Raises: RefusedError for a reading that nothing can be learned from, or that is impossible.
        """
        before = self._ready_for(reading)
        sight, values = before.look(reading, growth)
        nodes = before.strands[0].nodes
        offs = (values[n.etch_factor, n.evenness][0] - dot(sight.direction, n.mean) for n in nodes)
        if min(map(abs, offs)) > IMPOSSIBLE_LN:
            raise RefusedError("physics.gauge.impossible")
        strands = [strand.learn(sight, values) for strand in before.strands]
        total = sum(strand.weight for strand in strands)
        return replace(before, strands=_scaled(strands, total))

    def surprise_sigma(self, reading: Reading, growth: Growth) -> float:
        """Return how many standard deviations more metal is gone than predicted (less: < 0).

        Only a good reading is considered.
        """
        before = self._ready_for(reading)
        sight, values = before.look(reading, growth)
        below = 0.0
        for strand in before.strands:
            variance = quadratic(sight.direction, strand.covariance) + sight.shapes[0].variance
            scale = 1.0 / math.sqrt(2.0 * variance)
            for node in strand.nodes:
                value, _ = values[node.etch_factor, node.evenness]
                off = dot(sight.direction, node.mean) - value
                below += node.weight * 0.5 * math.erfc(off * scale)
        return _NORMAL.inv_cdf(min(max(below, 1e-12), 1.0 - 1e-12))

    def doubt(self, reading: Reading, growth: Growth) -> float:
        """Return the probability that a reading is wrong: a blunder, or a wrong datum."""
        before = self._ready_for(reading)
        sight, values = before.look(reading, growth)
        good = wrong = 0.0
        for strand in before.strands:
            variance = quadratic(sight.direction, strand.covariance)
            for node in strand.nodes:
                value, slope = values[node.etch_factor, node.evenness]
                off = value - dot(sight.direction, node.mean)
                densities = [
                    node.weight
                    * slope
                    * shape.share
                    * math.exp(-0.5 * (off - shape.shift) ** 2 / (variance + shape.variance))
                    / math.sqrt(variance + shape.variance)
                    for shape in sight.shapes
                ]
                good += densities[0]
                wrong += sum(densities[1:])
        return 1.0 if good + wrong == 0.0 else wrong / (good + wrong)

    def next_run(self, area_sd: float) -> Learner:
        """Return the belief for the next run in the bath: run and area start from their priors."""
        return replace(self, strands=tuple(strand.next_run(area_sd) for strand in self.strands))

    def fresh_acid(self) -> Learner:
        """Return the belief after fresh acid: the bite factor starts again, and nothing else."""
        return replace(self, strands=tuple(strand.fresh_acid() for strand in self.strands))

    def look(self, reading: Reading, growth: Growth) -> tuple[Sight, dict[Cell, Shown]]:
        """Return a reading as these strands take it, and what it shows in each cell.

        Raises: RefusedError for a reading that nothing can be learned from.
        """
        values = values_of(reading, growth, self.metal, self._cells())
        offsets = self._offsets_of(reading)
        return sight_of(reading, growth, self._likely_cell(), offsets, self._entries), values

    # --- parts ----------------------------------------------------------------------------------

    @property
    def _entries(self) -> int:
        return FIXED + len(self.offsets)

    def _direction(self, bath: float, run: float, area: float) -> tuple[float, ...]:
        return (bath, run, area, *[0.0] * (self._entries - 3))

    def _spread_of(self, bath: float, run: float) -> tuple[float, float]:
        direction = self._direction(bath, run, 0.0)
        parts = []
        for strand in self.strands:
            variance = quadratic(direction, strand.covariance)
            parts += [(node.weight, dot(direction, node.mean), variance) for node in strand.nodes]
        _, mean, variance = _merged(parts)
        return math.exp(mean), math.sqrt(variance)

    def _cells(self) -> set[Cell]:
        return {(n.etch_factor, n.evenness) for strand in self.strands for n in strand.nodes}

    def _likely_cell(self) -> Cell:
        """Return the mean geometry; the evenness is None until a reading has named a place."""
        ln_factor = even = 0.0
        is_placed = False
        for strand in self.strands:
            for node in strand.nodes:
                ln_factor += node.weight * math.log(node.etch_factor)
                if node.evenness is not None:
                    even += node.weight * node.evenness
                    is_placed = True
        return math.exp(ln_factor), min(even, 1.0) if is_placed else None

    def _offsets_of(self, reading: Reading) -> list[int]:
        names = _names(reading)
        return [FIXED + i for i, name in enumerate(self.offsets) if name in names]

    def _ready_for(self, reading: Reading) -> Learner:
        """Return the same belief, with the offsets and the evenness that a reading needs."""
        ready = self
        for name in _names(reading):
            if name not in ready.offsets and len(ready.offsets) < MAX_OFFSETS:
                strands = tuple(strand.with_offset(OFFSET_SD_MM) for strand in ready.strands)
                ready = replace(ready, strands=strands, offsets=(*ready.offsets, name))
        if isinstance(reading, GaugeReading) and reading.ratios is not None:
            prior = evenness_nodes()
            strands = tuple(strand.with_evenness(prior) for strand in ready.strands)
            ready = replace(ready, strands=strands)
        return ready


def _names(reading: Reading) -> list[str]:
    if not isinstance(reading, GaugeReading):
        return []
    named = (("person", reading.person), ("gauge", reading.gauge))
    return [f"{kind}:{name}" for kind, name in named if name]


def _scaled(strands: list[Strand], total: float) -> tuple[Strand, ...]:
    """Return the strands with weights that sum to 1, without those that hardly count."""
    least = _PRUNE_BELOW * total
    kept = [(strand, [n for n in strand.nodes if n.weight >= least]) for strand in strands]
    rest = sum(node.weight for _, nodes in kept for node in nodes)
    return tuple(
        replace(strand, nodes=tuple([Node(e, v, w / rest, m) for e, v, w, m in nodes]))
        for strand, nodes in kept
        if nodes
    )


def _merged(parts: list[tuple[float, float, float]]) -> tuple[float, float, float]:
    """Return weight, mean and variance of a mixture of triples (weight, mean, variance)."""
    weight = sum(part[0] for part in parts)
    mean = sum(w * m for w, m, _ in parts) / weight
    return weight, mean, sum(w * (v + (m - mean) ** 2) for w, m, v in parts) / weight


def _between_grid(weights: dict[float, float], step: float) -> tuple[float, float]:
    """Return e to the mean, and the sd, of a logarithm on a grid with steps of this size.

    The truth lies anywhere between the values of the grid, which adds the variance of one step.
    """
    parts = [(weight, value, step**2 / 12.0) for value, weight in weights.items()]
    _, mean, variance = _merged(parts)
    return math.exp(mean), math.sqrt(variance)
