"""A metalsmith's own notebook: one row for each run, and what the rows teach. Pure."""
