"""Commands for the bench as it is installed."""
