"""Faults of the rehearsal rig."""
