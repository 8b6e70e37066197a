"""Prints the table of ``tests/README.md``: ``python -m tests.proofs.studios --studios 1000``."""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

from tests.proofs.studios.compared import figures
from tests.proofs.studios.worlds import LAWS


def main() -> None:
    """Print one line for each law."""
    parser = argparse.ArgumentParser(prog="python -m tests.proofs.studios")
    parser.add_argument("--studios", type=int, default=1000)
    parser.add_argument("--law", choices=LAWS, action="append")
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    names = chosen.law or list(LAWS)
    print(
        "| world | covered | lowest at any run | of the filter that knows | error, um | of that "
        "filter | interval over its | after fresh acid | last run | Faraday | mean of five |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|", flush=True)
    with ProcessPoolExecutor(chosen.workers) as pool:
        seeds = range(chosen.studios)
        for name, found in zip(
            names,
            pool.map(figures, [LAWS[name] for name in names], [seeds] * len(names)),
            strict=True,
        ):
            simple = " | ".join(f"{value:.1f}" for value in found.simple_um.values())
            print(
                f"| {name} | {found.covered:.1%} | {found.lowest:.1%} "
                f"| {found.oracle_covered:.1%} | {found.error_um:.1f} "
                f"| {found.oracle_error_um:.1f} | {found.width:.2f} | {found.fresh:.2f} "
                f"| {simple} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
