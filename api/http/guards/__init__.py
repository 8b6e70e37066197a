"""The checks that each request passes before it reaches a route."""
