"""The first window where nothing is recorded yet: stands to choose from, and what is asked of a recorder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchkit.profiles import shared_path

SIMULATED = "airboat"
"""The stand that needs no hardware."""


@dataclass(frozen=True, slots=True)
class Order:
    """A recorder to be started: profile, folder of the run, and further options of ``benchkit record``."""

    stand: str
    folder: Path
    options: tuple[str, ...]


def stand_profiles(folder: Path) -> tuple[Path, ...]:
    """Profiles in a folder, then the examples."""
    own = sorted(p for p in folder.glob("*.toml") if p.is_file()) if folder.is_dir() else []
    return (*own, *sorted(_examples().glob("*.toml")))


def simulated_order(folder: Path, who: str) -> Order:
    """The simulated stand."""
    return Order(SIMULATED, folder, ("--simulated", "--quiet", *_operator(who)))


def stand_order(profile: Path, folder: Path, ports: str, who: str) -> Order:
    """A stand with its instruments; ``ports`` holds ``SOURCE=PORT`` with commas between.

    An example without a port is recorded from the simulated stand: there is no instrument behind it.
    """
    given = [x.strip() for x in ports.split(",") if x.strip()]
    options = [word for one in given for word in ("--port", one)]
    if not given and profile.parent == _examples():
        options.append("--simulated")
    return Order(str(profile), folder, (*options, "--quiet", *_operator(who)))


def _examples() -> Path:
    return shared_path("stands", "airboat.toml").parent


def _operator(who: str) -> tuple[str, ...]:
    return ("--operator", who) if who.strip() else ()
