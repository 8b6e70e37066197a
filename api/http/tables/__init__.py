"""The tables of a run, as JSON and CSV."""
