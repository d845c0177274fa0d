"""Windows: a live stand, a recorded run, the choice of a run, the list of keys."""
