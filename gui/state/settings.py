"""What the dashboard remembers: its look, who sits at it, and the layout of every stand. One JSON file.

A file that cannot be read or written costs the memory, and nothing else.
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from gui.state.theme import Ground

SCALES = (100, 125, 150, 175, 200)


@dataclass(slots=True)
class Layout:
    """Of one stand: length of the live view [s], page, channels that are not drawn, panel that is open, window."""

    window_s: float = 60.0
    page: int = 0
    hidden: tuple[str, ...] = ()
    panel: str = ""
    size: tuple[int, int] = (1600, 900)


@dataclass(slots=True)
class Settings:
    """``decimal`` empty: as the country writes it. ``path`` None: nothing is kept."""

    ground: Ground = Ground.LIGHT
    scale: int = 100
    decimal: str = ""
    who: str = ""
    layouts: dict[str, Layout] = field(default_factory=dict)
    path: Path | None = None

    def layout(self, stand: str) -> Layout:
        """The layout of a stand; a new one where there is none."""
        return self.layouts.setdefault(stand, Layout())

    def save(self) -> str:
        """Write the file; returns why that was not possible, else an empty text."""
        if self.path is None:
            return ""
        body = asdict(self)
        del body["path"]
        part = self.path.with_name(self.path.name + ".part")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            part.write_text(json.dumps(body, indent=1), encoding="utf-8")
            part.replace(self.path)
        except OSError as error:
            return f"The layout cannot be kept in {self.path}: {error.strerror}"
        return ""


def settings_path(environment: Mapping[str, str] = os.environ, platform: str = sys.platform) -> Path:
    """Where the file lies for this user."""
    home = Path(environment.get("USERPROFILE" if platform == "win32" else "HOME", "."))
    if platform == "win32":
        base = Path(environment.get("APPDATA", home / "AppData" / "Roaming"))
    elif platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(environment.get("XDG_CONFIG_HOME") or home / ".config")
    return base / "benchkit" / "dashboard.json"


def load_settings(path: Path | None) -> Settings:
    """The settings of a file; what is missing or not understood is as it is at first."""
    found = Settings(path=path)
    try:
        body = json.loads(path.read_text(encoding="utf-8")) if path is not None else {}
    except (OSError, ValueError):
        return found
    if not isinstance(body, dict):
        return found
    found.ground = Ground.DARK if body.get("ground") == "dark" else Ground.LIGHT
    found.scale = body["scale"] if body.get("scale") in SCALES else 100
    found.decimal = body["decimal"] if body.get("decimal") in (",", ".") else ""
    found.who = str(body.get("who") or "")[:60]
    layouts = body.get("layouts")
    for name, one in layouts.items() if isinstance(layouts, dict) else ():
        if isinstance(one, dict):
            found.layouts[str(name)] = _layout(one)
    return found


def _layout(body: Mapping[str, Any]) -> Layout:
    made = Layout()
    window = body.get("window_s")
    if isinstance(window, int | float) and math.isfinite(window) and 1.0 <= window <= 86400.0:
        made.window_s = float(window)
    page = body.get("page")
    made.page = page if isinstance(page, int) and 0 <= page < 100 else 0
    hidden = body.get("hidden")
    made.hidden = tuple(str(x) for x in hidden) if isinstance(hidden, list) else ()
    made.panel = str(body.get("panel") or "")
    size = body.get("size")
    if isinstance(size, list) and len(size) == 2 and all(isinstance(x, int) and 400 <= x <= 10000 for x in size):
        made.size = (size[0], size[1])
    return made


def read_span(text: str) -> float:
    """A length of time as people write it: ``90 s``, ``12 min``, ``1,5 h``, ``1:30``; NaN where it is none [s]."""
    from gui.state.decimals import read

    plain = text.strip().lower()
    if ":" in plain:
        parts = plain.split(":")
        if len(parts) > 3 or not all(x.isdigit() for x in parts):
            return math.nan
        seconds = 0.0
        for part in parts:
            seconds = 60.0 * seconds + int(part)
        return seconds
    for unit, factor in (("min", 60.0), ("h", 3600.0), ("s", 1.0), ("", 1.0)):
        if plain.endswith(unit):
            return read(plain.removesuffix(unit)) * factor
    return math.nan
