"""Backups: one zip file of logbook, artworks and settings, and how it is restored."""
