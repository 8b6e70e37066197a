"""Learning from gauge and scale: Bayes over bite factor, its drift and spread, and geometry. Pure.

README.md explains the model.
"""

from __future__ import annotations

from controller.physics.learning.learner import ASK_BEYOND_SIGMA, Learner
from controller.physics.learning.past import PastRun, learn_from_bath, learn_past
from controller.physics.learning.priors import new_learner
from controller.physics.learning.strand import Node, Strand

__all__ = [
    "ASK_BEYOND_SIGMA",
    "Learner",
    "Node",
    "PastRun",
    "Strand",
    "learn_from_bath",
    "learn_past",
    "new_learner",
]
