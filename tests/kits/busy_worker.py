"""A worker that never answers: it computes until something ends it."""

from __future__ import annotations

import sys
from typing import Any

from controller.artwork.loading.readable import ReadableFile
from controller.artwork.worker import Work, serve


def busy(_request: dict[str, Any], _file: ReadableFile) -> Work:
    """Return work without an end."""

    def work(_picture: object) -> dict[str, Any]:
        while True:
            pass

    return work


if __name__ == "__main__":
    sys.exit(serve(busy))
