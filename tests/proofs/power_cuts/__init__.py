"""Power cuts of a recorded daemon."""
