"""Data from elsewhere, made into runs."""
