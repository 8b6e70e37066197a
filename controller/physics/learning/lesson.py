"""What a reading changed, in one sentence. Pure."""

from __future__ import annotations

from controller.physics.learning.learner import Learner
from controller.physics.readings import Reading
from controller.physics.relief import Growth
from controller.texts import Message

DOUBTFUL = 0.5
"""Probability of a wrong reading from which a person is asked to gauge again."""
_BITE_STEP = 0.005
_ETCH_STEP = 0.05


def lesson_of(before: Learner, after: Learner, reading: Reading, growth: Growth) -> Message:
    """Return what a reading changed: the bite factor, else the etch factor, else nothing much."""
    if before.doubt(reading, growth) >= DOUBTFUL:
        return Message("physics.lesson.doubted")
    old, new = before.bite_factor()[0], after.bite_factor()[0]
    values = {"old_bite_factor": old, "bite_factor": new}
    if new > old + _BITE_STEP:
        return Message("physics.lesson.raised", values)
    if new < old - _BITE_STEP:
        return Message("physics.lesson.lowered", values)
    old_factor, factor = before.etch_factor()[0], after.etch_factor()[0]
    if abs(factor - old_factor) > _ETCH_STEP:
        etch = {"old_etch_factor": old_factor, "etch_factor": factor}
        return Message("physics.lesson.etch_factor", etch)
    return Message("physics.lesson.confirmed", {"bite_factor": new})
