"""The only place that touches the Pi, the clock or a simulation."""
