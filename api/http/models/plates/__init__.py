"""What was measured of an artwork or a plate, in a plan request."""
