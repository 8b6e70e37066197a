"""Solves the etching of an artwork as a moving front on its pixels, for the rehearsal rig."""
