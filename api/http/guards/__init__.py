"""What each request must pass before it reaches a route."""
