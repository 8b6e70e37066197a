"""The control loop, and how people reach it."""
