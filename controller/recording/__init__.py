"""Connects the bench to its logbook: what is written, and what is restored."""
