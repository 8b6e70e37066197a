"""The distribution of the current over a plate, and the places that follow."""
