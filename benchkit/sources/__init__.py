"""Instrument links: the one door to serial ports and to the clock."""
