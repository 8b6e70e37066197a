"""A moving etch front on the artwork's own pixels: the rehearsal's truth."""
