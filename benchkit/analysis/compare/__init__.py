"""Is one firmware better than another? Pairing, correction, statistics, verdicts, planning, history.

Differences are always B less A. A run is judged by how well runs repeat, never by how well one point is known.
"""
