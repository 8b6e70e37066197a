"""Plates of several artworks."""
