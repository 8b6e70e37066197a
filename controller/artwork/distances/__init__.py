"""Distances from the edges of the artwork, and the widths of lines."""
