"""Where the shared stand profiles and tables lie: in the source tree, or inside the installed package."""

from __future__ import annotations

from pathlib import Path, PureWindowsPath

from benchkit.errors import UsageError, did_you_mean

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
    """A profile by path, or one of the shared examples by bare name (``airboat``).

    Raises:
        UsageError: there is no such file and no such example.
    """
    path = Path(name)
    if path.exists():
        return path
    examples = {example.stem: example for example in sorted(shared_path("stands").glob("*.toml"))}
    if name in examples:
        return examples[name]
    raise UsageError(
        "stand profile not found",
        where=name,
        expected=f"the path of a TOML file, or a shared example: {', '.join(examples)}",
        remedy=did_you_mean(name, examples) or "Check the path.",
    )


def stays_below(name: str) -> bool:
    """True for a name such as ``limits/big.toml``: relative, with / between folders, and never out of its folder."""
    path = PureWindowsPath(name)  # knows drives, both slashes, and every absolute path of other systems too
    return bool(path.parts) and not path.anchor and ".." not in path.parts and "\\" not in name and name.isprintable()
