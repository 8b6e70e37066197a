"""``python -m tests.proofs.place_coverage``: the study by hand, as a table."""

from __future__ import annotations

import argparse

from tests.proofs.place_coverage.study import coverage


def main() -> None:
    """Print coverage and width of each place's interval."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    counts = coverage(given.worlds, given.seed)
    print("| place | draws | covered | below | width over best |\n|---|---|---|---|---|")
    for name, drawn in counts.drawn.items():
        below = counts.below[name] / drawn
        width = counts.width[name] / drawn
        print(f"| {name} | {drawn} | {counts.share(name):.1%} | {below:.1%} | {width:.2f} |")


if __name__ == "__main__":
    main()
