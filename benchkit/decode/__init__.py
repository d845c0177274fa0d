"""Bytes in, events out: decoders without file, port or clock, and the map from columns to channels."""
