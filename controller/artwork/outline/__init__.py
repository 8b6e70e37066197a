"""Traces the outline of the artwork with sub-pixel accuracy."""
