"""``biteclock learn``: what a metalsmith's own notebook teaches."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.artwork.artwork_options import file_argument
from api.cli.options import config_option, json_option, refusing, state_directory_option
from api.cli.printing import help_of, print_json, say, warn
from controller.texts import text

if TYPE_CHECKING:
    from controller.config import Settings
    from controller.physics.learning import Learner
    from controller.planning.notebook.lessons import Lessons, RowLesson
    from controller.planning.notebook.table import Notebook

WITHIN_SD = 1.96
"""Standard deviations on either side of the mean that hold 95 % of a normal distribution."""
DOUBTFUL = 0.5


@click.command(help=help_of("command_line.learn"))
@file_argument
@click.option("--into", metavar="BATH", help=text("command_line.learn.into"))
@config_option
@state_directory_option
@json_option
@refusing
def learn(
    file: Path, into: str | None, settings: Settings, state_directory: Path, as_json: bool
) -> None:
    """Print what each row was predicted to give, and what all rows teach."""
    from controller.planning.notebook.lessons import lessons_of
    from controller.planning.notebook.table import read_notebook
    from controller.planning.plan import planned_metal

    notebook = read_notebook(text_of(file).splitlines())
    lessons = lessons_of(
        notebook.rows,
        lambda name: planned_metal(name, settings),
        settings.rig.shunt_tolerance_fraction,
    )
    values = _values(file, notebook, lessons)
    if into is not None:
        from api.cli.bench.notebook_import import take_over

        values["into"] = into
        path = state_directory / settings.logbook.path
        values["taken_over"] = take_over(notebook.rows, into, path)
    if as_json:
        print_json(values)
    else:
        _print(values)


def text_of(file: Path) -> str:
    """Return the text of a file: UTF-8 or UTF-16 with a byte order mark, or Windows-1252."""
    content = file.read_bytes()
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _values(file: Path, notebook: Notebook, lessons: Lessons) -> dict[str, Any]:
    baths = [
        {"bath": bath, "metal": metal, **_figures(learner)}
        for (bath, metal), learner in lessons.baths.items()
    ]
    return {
        "file": file.name,
        **_figures(lessons.baths[lessons.last]),
        "bath": lessons.last[0],
        "metal": lessons.last[1],
        "baths": baths,
        "rows": [_row(lesson) for lesson in lessons.rows],
        "ignored_columns": list(notebook.ignored_columns),
    }


def _figures(learner: Learner) -> dict[str, float]:
    values = {}
    for name, (best, sd) in (
        ("bite_factor", learner.bath_factor()),
        ("etch_factor", learner.etch_factor()),
        ("spread", learner.spread()),
    ):
        values[name] = best
        values[f"{name}_low"] = best * math.exp(-WITHIN_SD * sd)
        values[f"{name}_high"] = best * math.exp(WITHIN_SD * sd)
    return values


def _row(lesson: RowLesson) -> dict[str, Any]:
    row = lesson.row
    return {
        "line": row.line,
        "bath": row.bath,
        "metal": row.metal,
        "date": None if row.day is None else row.day.isoformat(),
        "charge_coulombs": row.charge_coulombs,
        "predicted_low_mm": lesson.predicted.low_mm,
        "predicted_mm": lesson.predicted.best_mm,
        "predicted_high_mm": lesson.predicted.high_mm,
        "depth_mm": sum(row.spots_mm) / len(row.spots_mm) if row.spots_mm else None,
        "lost_g": row.lost_g,
        "fresh_acid": row.is_fresh,
        "bite_factor_before": lesson.old_bite_factor,
        "bite_factor_after": lesson.bite_factor,
        "doubt": lesson.doubt,
    }


def _print(values: dict[str, Any]) -> None:
    say("command_line.learn.line.header")
    for row in values["rows"]:
        shown = {
            "line": row["line"],
            "bath": row["bath"][:14],
            "charge_coulombs": row["charge_coulombs"],
            "predicted_mm": row["predicted_mm"],
            "low_mm": row["predicted_low_mm"],
            "high_mm": row["predicted_high_mm"],
        }
        depth = "" if row["depth_mm"] is None else f"{row['depth_mm']:.3f}"
        if row["doubt"] is not None and row["doubt"] >= DOUBTFUL:
            warn("command_line.learn.line.row_doubted", **shown, depth=depth)
        else:
            say("command_line.learn.line.row", **shown, depth=depth)
    for bath in values["baths"]:
        say(
            "command_line.learn.line.bath",
            bath=bath["bath"] or text("command_line.learn.no_name"),
            metal=bath["metal"],
            bite_factor=bath["bite_factor"],
            bite_low=bath["bite_factor_low"],
            bite_high=bath["bite_factor_high"],
            etch_factor=bath["etch_factor"],
            etch_low=bath["etch_factor_low"],
            etch_high=bath["etch_factor_high"],
            spread_fraction=bath["spread"],
            low_fraction=bath["spread_low"],
            high_fraction=bath["spread_high"],
        )
    if "into" in values:
        count = values["taken_over"]
        say("command_line.learn.line.taken_over", count=count, bath=values["into"])
    if values["ignored_columns"]:
        warn("command_line.learn.line.ignored", columns=", ".join(values["ignored_columns"]))
