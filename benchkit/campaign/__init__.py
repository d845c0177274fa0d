"""Folders of runs: a catalogue of what is there, and one analysis over all of it."""
