"""The current and voltage sensor: drivers, and when conversions are read."""
