"""Checks the message of an error by its key and its values, not by its words."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from controller.errors import BiteclockError


@contextmanager
def raises_message(
    kind: type[BiteclockError], key: str, **values: Any
) -> Iterator[pytest.ExceptionInfo[BiteclockError]]:
    """Expect an error with this key and, among its values, these."""
    with pytest.raises(kind) as caught:
        yield caught
    message = caught.value.message
    assert message.key == key
    assert {name: message.values[name] for name in values} == values
