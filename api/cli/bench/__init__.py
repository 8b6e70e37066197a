"""Commands for the bench as it is installed, and for its daemon."""
