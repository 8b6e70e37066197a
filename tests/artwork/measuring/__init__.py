"""Measuring: sheet, tiles, tally, lines, pieces, preview."""
