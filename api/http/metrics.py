"""What the bench measures and how it is, in the Prometheus text format.

Names follow Prometheus: base units, spelled out, so depths are in meters. A value that is not known
is left out, never 0. The figures are those of the status, so a new figure appears by itself.

Source: prometheus.io/docs/practices/naming and .../instrumenting/exposition_formats.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from api.http.models.status import Status
from controller.errors import LoopNotAliveError
from controller.messages import RunState

if TYPE_CHECKING:
    from prometheus_client.core import Metric

    from api.http.context import AppContext

PREFIX = "biteclock_"

BASE_UNITS = {
    "_a_per_dm2": ("_amperes_per_square_meter", 100.0),
    "_coulombs": ("_coulombs", 1.0),
    "_degc": ("_celsius", 1.0),
    "_mm": ("_meters", 1e-3),
    "_a": ("_amperes", 1.0),
    "_v": ("_volts", 1.0),
    "_s": ("_seconds", 1.0),
}
"""End of a figure's name -> end of the metric's name, and base units in one unit of the figure."""

NO_FIGURES = frozenset({"at_s"})
"""Numbers of the status that say nothing about the bench."""


def metrics_text(context: AppContext) -> tuple[bytes, str]:
    """Return the metrics and their media type. Takes a few ms, and 50 ms at first."""
    # Imported here, because most benches are never asked.
    from prometheus_client import CONTENT_TYPE_PLAIN_0_0_4, CollectorRegistry, generate_latest

    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Collector(context))
    return generate_latest(registry), CONTENT_TYPE_PLAIN_0_0_4


def base_name(field: str) -> tuple[str, float] | None:
    """Return the metric's name of a figure and the factor to its base unit, or None."""
    for suffix, (ending, factor) in BASE_UNITS.items():
        if field.endswith(suffix):
            return PREFIX + field.removesuffix(suffix) + ending, factor
    return None


class _Collector:
    """Collects once, for one response."""

    def __init__(self, context: AppContext) -> None:
        self._context = context

    def collect(self) -> Iterator[Metric]:
        """Return the metrics."""
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

        context = self._context
        health = context.logbook_health()
        info = GaugeMetricFamily(
            PREFIX + "build_info", "Version and kind of rig.", labels=["version", "rig"]
        )
        info.add_metric([context.version, context.rig_kind], 1.0)
        yield info
        status = self._status()
        yield _flag("loop_alive", "Whether the control loop is alive.", status is not None)
        silent_s = context.board.silent_s()
        yield GaugeMetricFamily(
            PREFIX + "loop_silent_seconds", "Time since the loop completed a pass.", silent_s
        )
        yield _flag("logbook_ready", "Whether the logbook was checked.", health.ready)
        is_failing = health.failing_since_at_s is not None
        yield _flag("logbook_failing", "Whether the logbook cannot be written.", is_failing)
        yield CounterMetricFamily(
            PREFIX + "logbook_lost_rows",
            "Rows that could not be kept since the start.",
            health.lost,
        )
        yield GaugeMetricFamily(
            PREFIX + "logbook_waiting_rows", "Rows that wait to be written.", health.waiting
        )
        yield GaugeMetricFamily(
            PREFIX + "live_streams", "Live streams that are open.", context.live.streams
        )
        if status is not None:
            yield from _of_status(status)

    def _status(self) -> Status | None:
        """Return the status, or None with a silent loop, whose old numbers are not shown."""
        context = self._context
        try:
            snapshot = context.service.snapshot()
        except LoopNotAliveError:
            return None
        return Status.of(snapshot, context.logbook_health(), context.rig_kind, context.version)


def _flag(name: str, description: str, value: bool) -> Metric:
    from prometheus_client.core import GaugeMetricFamily

    return GaugeMetricFamily(PREFIX + name, f"{description} 1 or 0.", float(value))


def _of_status(status: Status) -> Iterator[Metric]:
    from prometheus_client.core import GaugeMetricFamily

    state = GaugeMetricFamily(
        PREFIX + "state", "State of the rig: 1 for the present one.", labels=["state"]
    )
    for known in RunState:
        state.add_metric([known.value], float(known is status.state))
    yield state
    reason = GaugeMetricFamily(
        PREFIX + "reason", "Why the run tripped or paused, until acknowledged.", labels=["reason"]
    )
    if status.reason is not None:
        reason.add_metric([status.reason.value], 1.0)
    yield reason
    yield _flag("relay_on", "Whether the relay is on.", status.relay_on)
    yield _flag(
        "relay_welded", "Whether current or voltage was seen with it off.", status.relay_welded
    )
    for name, field in Status.model_fields.items():
        value, base = getattr(status, name), base_name(name)
        if base is None or value is None or name in NO_FIGURES:
            continue
        yield GaugeMetricFamily(base[0], field.description or name, value * base[1])
