"""Where the shared stand profiles and tables lie: in the source tree, or inside the installed package."""

from __future__ import annotations

from pathlib import Path

from benchkit.errors import UsageError

_PACKAGE = Path(__file__).resolve().parent.parent


def shared_path(*parts: str) -> Path:
    """Return the path of a shared file, such as ``shared_path("stands", "airboat.toml")``.

    Raises:
        UsageError: the file is in neither place.
    """
    for root in (_PACKAGE.parent / "shared", _PACKAGE / "shared_data"):
        candidate = root.joinpath(*parts)
        if candidate.exists():
            return candidate
    raise UsageError(
        "shared file not found",
        where="/".join(("shared", *parts)),
        remedy="Install benchkit again, or run it from its source tree.",
    )


def find_stand(name: str) -> Path:
    """A profile by path, or one of the shared examples by bare name (``airboat``)."""
    path = Path(name)
    if path.exists():
        return path
    if path.suffix == "" and path.parent == Path():
        return shared_path("stands", f"{name}.toml")
    raise UsageError(
        "stand profile not found",
        where=name,
        expected="the path of a TOML file, or the name of a shared example such as 'airboat'",
        remedy="Check the path; benchkit does not search for it.",
    )
