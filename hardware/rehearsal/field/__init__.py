"""The true current distribution over the plate, for the rehearsal rig.

Laplace's equation by finite volumes and multigrid. It shares nothing with the planner's map.
"""
