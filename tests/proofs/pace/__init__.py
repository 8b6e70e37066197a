"""How evenly the control loop passes while people ask for everything at once."""
