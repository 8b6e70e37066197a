"""Physics of etching: pure functions and values, standard library only."""
