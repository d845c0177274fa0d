"""Runs as files of other formats."""
