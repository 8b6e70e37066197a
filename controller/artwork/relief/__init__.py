"""The relief of an etched plate: depth at every place, as pictures and as figures."""
