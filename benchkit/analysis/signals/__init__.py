"""Numbers out of fast records: spectra, harmonics, steps, orders, edges, and exact intervals of counts."""
