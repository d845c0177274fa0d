"""Stand profiles: TOML in, frozen :class:`benchkit.model.stand.Stand` out. The one door to TOML and pydantic."""

from benchkit.profiles.files import find_stand, shared_path
from benchkit.profiles.load import LoadedStand, json_schema, load_stand, stand_from_json

__all__ = ["LoadedStand", "find_stand", "json_schema", "load_stand", "shared_path", "stand_from_json"]
