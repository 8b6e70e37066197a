"""Which tests are expected to notice a break in which module."""

from __future__ import annotations

TESTS = {
    "controller/safety/guards.py": (
        "tests/safety/test_guards.py",
        "tests/safety/test_run.py",
    ),
    "controller/safety/limits.py": (
        "tests/safety/test_guards.py",
        "tests/safety/test_run.py",
    ),
    "controller/safety/supervisor.py": (
        "tests/safety/test_supervisor.py",
        "tests/safety/test_supervisor_samples.py",
        "tests/safety/test_age_watch.py",
    ),
    "controller/units.py": ("tests/physics/test_units.py",),
    "controller/physics/charge.py": ("tests/physics/test_charge.py",),
    "controller/physics/faraday.py": (
        "tests/physics/test_faraday.py",
        "tests/physics/test_published_values.py",
    ),
    "controller/physics/relief.py": (
        "tests/physics/test_relief.py",
        "tests/physics/test_published_values.py",
    ),
    "controller/physics/estimate.py": ("tests/physics/test_estimate.py",),
    "controller/physics/attack.py": ("tests/physics/test_attack.py",),
    "controller/physics/learning.py": ("tests/physics/test_learning.py",),
    "controller/physics/meter_log.py": ("tests/physics/test_meter_log.py",),
    "controller/planning/plan.py": ("tests/planning/test_plan.py",),
    "controller/planning/warnings.py": ("tests/planning/test_warnings.py",),
    "controller/planning/request.py": ("tests/planning/test_plan.py",),
    "controller/safety/checks.py": ("tests/safety/test_checks.py",),
    "controller/safety/checkpoint.py": (
        "tests/safety/test_checkpoint.py",
        "tests/recording/test_survival.py",
    ),
    "controller/safety/run.py": (
        "tests/safety/test_run.py",
        "tests/safety/test_checkpoint.py",
    ),
    "controller/safety/trends.py": ("tests/safety/test_trends.py",),
    "controller/safety/age_watch.py": ("tests/safety/test_age_watch.py",),
    "controller/safety/transitions.py": ("tests/safety/test_supervisor.py",),
    "controller/recording/restore.py": (
        "tests/recording/test_restore.py",
        "tests/recording/test_survival.py",
    ),
    "hardware/sensor/ina219.py": ("tests/rig/test_ina219.py",),
    "hardware/sensor/shunt_monitor.py": (
        "tests/rig/test_ina219.py",
        "tests/rig/test_sensors.py",
    ),
    "hardware/sensor/conversion_pace.py": ("tests/rig/test_conversion_pace.py",),
    "controller/artwork/distances/distance.py": ("tests/artwork/test_distance.py",),
    "controller/artwork/measuring/growth.py": (
        "tests/artwork/test_accuracy.py",
        "tests/artwork/measuring/test_measure.py",
    ),
    "controller/artwork/measuring/lines.py": ("tests/artwork/measuring/test_lines.py",),
    "controller/artwork/measuring/tally.py": (
        "tests/artwork/measuring/test_tally.py",
        "tests/artwork/measuring/test_measure.py",
    ),
    "controller/artwork/measuring/measure.py": ("tests/artwork/measuring/test_measure.py",),
    "controller/artwork/outline/contour.py": ("tests/artwork/test_contour.py",),
    "controller/artwork/outline/sides.py": ("tests/artwork/measuring/test_sides.py",),
}
"""Path of a module -> the test files that must notice."""

BY_DEFAULT = tuple(TESTS)[:6]
"""Modules of ``make mutants``: the safety path and the physics that it stops by."""
