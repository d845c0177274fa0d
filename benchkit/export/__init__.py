"""Runs as files of other formats: CSV, Parquet, MDF4, MATLAB. Every stream stays on its own time base."""
