"""Etch compensation: an artwork whose openings are narrowed by the undercut, printed as a film."""
