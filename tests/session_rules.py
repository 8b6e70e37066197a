"""Rules for a whole session of pytest: nothing is skipped, and no group of tests shrinks unnoticed.

A plugin for pytest; ``tests/conftest.py`` registers it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import pytest

FLOORS: Mapping[str, tuple[int, tuple[str, ...]]] = {
    "artwork": (450, ("artwork/",)),
    "command line": (140, ("cli/",)),
    "web application": (750, ("web/", "door/", "tables/", "routes/", "access/")),
    "logbook and recording": (180, ("logbook/", "recording/", "backup/")),
    "page": (120, ("page/",)),
    "process": (30, ("process/",)),
    "physics": (300, ("physics/",)),
    "planning": (70, ("planning/",)),
    "safety": (300, ("safety/",)),
    "messages": (60, ("messenger/",)),
    "running": (100, ("running/", "calculator/")),
    "rig": (200, ("rig/",)),
    "rehearsal": (280, ("rehearsal/",)),
    "house and installing": (170, ("house/", "systemd/", "texts/")),
    "proofs": (60, ("proofs/",)),
    "all": (3300, ("",)),
}
"""Group -> (fewest tests, beginnings of the files' paths inside ``tests/``).

A group that loses tests on purpose gets a new figure here, in the same commit.
"""


def shortfalls(
    ran: Mapping[str, int], floors: Mapping[str, tuple[int, tuple[str, ...]]]
) -> list[str]:
    """Return a line for each group of which fewer tests ran than its floor.

    :param ran: tests by file, as a path inside ``tests/``.
    """
    lines = []
    for group, (floor, beginnings) in floors.items():
        count = sum(tests for path, tests in ran.items() if path.startswith(beginnings))
        if count < floor:
            lines.append(f"{group}: {count} tests ran, the floor is {floor}")
    return lines


class SessionRules:
    """Watches one session and fails it when a rule is broken.

    :param floors: the groups to count.
    """

    def __init__(self, floors: Mapping[str, tuple[int, tuple[str, ...]]] = FLOORS) -> None:
        self._floors = floors
        self._skipped: list[str] = []
        self._ran: Counter[str] = Counter()
        self._complaints: list[str] = []

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_makereport(self, item: pytest.Item, call: pytest.CallInfo[None]) -> object:
        """Note whether an expected failure is strict: only the test's own process knows."""
        report = yield
        if hasattr(report, "wasxfail"):
            default = item.config.getini("xfail_strict")
            is_strict = all(
                mark.kwargs.get("strict", default) for mark in item.iter_markers("xfail")
            )
            by_hand = call.excinfo is not None and isinstance(
                call.excinfo.value, pytest.xfail.Exception
            )
            report.is_strict_xfail = is_strict and not by_hand
        return report

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._look_at(report)
        if report.when == "call":
            path = report.nodeid.partition("::")[0]
            self._ran[path.removeprefix("tests/")] += 1

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        self._look_at(report)

    def _look_at(self, report: pytest.TestReport | pytest.CollectReport) -> None:
        if report.skipped and not getattr(report, "is_strict_xfail", False):
            reason = getattr(report, "wasxfail", None) or report.longrepr
            self._skipped.append(
                f"{report.nodeid}: {reason[2] if isinstance(reason, tuple) else reason}"
            )

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: object) -> None:
        """Take over what a worker skipped while collecting: pytest-xdist forwards none."""
        self._skipped += getattr(node, "workeroutput", {}).get("skipped", [])

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if hasattr(session.config, "workerinput"):
            session.config.workeroutput["skipped"] = self._skipped
            return
        self._complaints = [
            f"skipped, and a skip is a failure here: {text}"
            for text in dict.fromkeys(self._skipped)
        ]
        if is_whole_suite(session.config) and session.exitstatus == pytest.ExitCode.OK:
            self._complaints += shortfalls(self._ran, self._floors)
        if self._complaints and session.exitstatus in (
            pytest.ExitCode.OK,
            pytest.ExitCode.NO_TESTS_COLLECTED,
        ):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        for text in self._complaints:
            terminalreporter.write_line(f"FAILED {text}", red=True)


def is_whole_suite(config: pytest.Config) -> bool:
    """Return whether all of ``testpaths`` was asked for, and nothing was left out."""
    option = config.option
    picks = (option.keyword, option.markexpr, option.deselect, option.ignore, option.collectonly)
    return config.args_source is pytest.Config.ArgsSource.TESTPATHS and not any(picks)
