"""The logbook: an SQLite file behind a bounded queue, written by its own thread."""
