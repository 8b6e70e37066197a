"""The logbook: an SQLite file behind a bounded queue and a thread of its own, and what feeds it from the loop."""
