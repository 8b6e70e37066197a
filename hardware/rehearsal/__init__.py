"""The rehearsal rig: a model of supply, relay contact, cell and sensor.

The real driver code runs on it without a Pi.
"""
