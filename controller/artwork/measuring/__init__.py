"""Area, edge length, growth and narrow lines of a whole sheet."""
