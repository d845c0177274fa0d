"""Panels. Each shows what it is handed; none computes, and none knows where the data come from."""
