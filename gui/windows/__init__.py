"""Windows: a live stand, the list of runs, recorded runs, results, the stand editor, the list of keys."""
