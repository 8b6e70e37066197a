"""The rig: the Pi's pins, bus and clock, and the rehearsal rig that stands in for them."""
