"""The nouns of the bench as frozen dataclasses and enums. No file, no port, no clock."""
