"""Tests of the catalogue of texts."""
