"""The application against its OpenAPI document, by schemathesis.

No request fails inside, and every answer is as described.

By hand, longer:
``SCHEMATHESIS_EXAMPLES=500 python -m pytest tests/web/test_schemathesis.py --timeout 0``.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.generation.hypothesis.builder import (
    HypothesisTestConfig,
    HypothesisTestMode,
    create_test,
)

from tests.kits.api_client import Daemon, ask

HOST = "http://bench.local:8420"
EXAMPLES = int(os.environ.get("SCHEMATHESIS_EXAMPLES", "4"))

BOUNDED = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)

MEANT = ["2xx", "401", "403", "404", "409", "422", "429", "5xx"]
"""Answers to data that fits the schema. 422: a rule that no schema holds: depth or charge."""

NO_END = "/api/events"

schemathesis.serializer.alias("application/zip", "application/octet-stream")


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path_factory.mktemp("daemon") / "state", guarded=True)
    daemon.step()
    with daemon.looping():
        yield daemon
    daemon.close()


def validated(
    daemon: Daemon, modes: Iterable[HypothesisTestMode] = HypothesisTestMode, **config: Any
) -> Counter[str]:
    """Ask every operation with examples, edges and random data, right and wrong; count the answers.

    :param modes: which of these three.
    Raises: AssertionError with every operation that failed a check of schemathesis,
    all of which are on.
    """
    checks = {"positive_data_acceptance": {"expected-statuses": MEANT}}
    schema = schemathesis.openapi.from_dict(
        ask(daemon.app, "GET", "/api/openapi.json").json(),
        config=schemathesis.Config.from_dict({"base-url": HOST, "checks": checks, **config}),
    )
    schema.app = daemon.app
    failures: list[str] = []
    statuses: Counter[str] = Counter()

    def asked(case: Any) -> None:
        answer = case.call(headers={"origin": HOST})
        statuses[f"{case.operation.label} {answer.status_code}"] += 1
        case.validate_response(answer, transport_kwargs={"headers": {"origin": HOST}})

    for found in schema.exclude(path=NO_END).get_all_operations():
        operation = found.ok()
        test = create_test(
            operation=operation,
            test_func=asked,
            config=HypothesisTestConfig(project=schema.config, modes=list(modes), settings=BOUNDED),
        )
        try:
            test()
        except BaseExceptionGroup as group:
            failures += [f"{operation.label}: {error}" for error in group.exceptions]
    assert not failures, "\n\n".join(failures)
    return statuses


def test_unpaired_conforms(daemon: Daemon) -> None:
    """A client that is not paired gets the documented answers.

    Most requests end at the door, before anybody reads their data: the edges of each value are
    left to the paired client.
    """
    statuses = validated(daemon, {HypothesisTestMode.EXAMPLES, HypothesisTestMode.FUZZING})
    changed = [
        answer
        for answer in statuses
        if answer.startswith("POST") and answer.endswith(("200", "201", "202"))
    ]
    assert changed == ["POST /api/stop 200"], "the document's example is not the PIN"


def test_paired_conforms(daemon: Daemon) -> None:
    """A paired client gets the documented answers."""
    statuses = validated(daemon, auth={"openapi": {"token": {"bearer": daemon.bench_token}}})
    assert {"POST /api/plan 200", "POST /api/start 202", "POST /api/baths 200"} <= set(statuses), (
        "nothing got past the door"
    )
