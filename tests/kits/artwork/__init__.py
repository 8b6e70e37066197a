"""Helpers for the tests of artworks."""
