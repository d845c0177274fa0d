"""What the panels around a run say: photos to choose from, channels to tare, what is missing before ARM."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.model.start_conditions import ZERO_AT_REST
from benchkit.protect.permissives import LIMIT_SET_PROVEN
from benchkit.session.photos import SUFFIXES
from gui.state.live import LiveModel
from gui.state.wording import number, size

_SHOWN = 40
_LOOKED_AT = 4000
AT_REST = frozenset({State.STANDBY, State.READY, State.TRIPPED})


@dataclass(frozen=True, slots=True)
class PhotoChoice:
    """Photos of a folder, newest first: path and words; or one photo that was named."""

    found: tuple[tuple[str, str], ...] = ()
    words: str = ""
    is_photo: bool = False


def newest_photos(text: str) -> PhotoChoice:
    """What lies at the typed place."""
    path = Path(text.strip()).expanduser()
    try:
        if path.is_file():
            is_photo = path.suffix.lower() in SUFFIXES
            words = f"{path.name}, {size(path.stat().st_size)}" if is_photo else f"Not a photo: {path.name}"
            return PhotoChoice(words=words, is_photo=is_photo)
        if not text.strip() or not path.is_dir():
            return PhotoChoice(words="No such file or folder.")
        found = []
        with os.scandir(path) as entries:
            for count, entry in enumerate(entries):
                if count >= _LOOKED_AT:
                    break
                if entry.name.lower().endswith(SUFFIXES) and entry.is_file():
                    stat = entry.stat()
                    found.append((stat.st_mtime, entry.path, f"{entry.name}   {size(stat.st_size)}"))
    except OSError as error:
        return PhotoChoice(words=f"Cannot be read: {error.strerror}")
    found.sort(reverse=True)
    listed = tuple((name, words) for _, name, words in found[:_SHOWN])
    return PhotoChoice(listed, "" if listed else "No photo in this folder.")


@dataclass(frozen=True, slots=True)
class TareRow:
    """A channel that can be tared, with its present value."""

    name: str
    words: str


def tare_rows(model: LiveModel) -> tuple[TareRow, ...]:
    """Channels whose quantity is zero at rest, in profile order."""
    rows = []
    values = model.means()
    for channel in model.stand.channels.values():
        if channel.quantity in ZERO_AT_REST and channel.derived is None:
            value = number(values.get(channel.name, float("nan")), channel.quantity)
            rows.append(TareRow(channel.name, f"{channel.label}   {value} {channel.unit}"))
    return tuple(rows)


def tare_hint(model: LiveModel, now_s: float) -> tuple[str, bool]:
    """Whether the stand is at rest, in words; the recorder looks at the shaft as well."""
    state = model.state(now_s)
    if state is None:
        return "The state of the stand is not known.", False
    if state not in AT_REST:
        return f"Not in {state.value}: stop and disarm first.", False
    return f"{state.value}: the recorder takes the zero where the shaft stands still.", True


def permissive_lines(model: LiveModel) -> tuple[str, bool]:
    """One line for each condition for getting READY, and whether all are met."""
    status = model.status
    if status is None:
        return "Not known yet.", False
    lines = []
    for name, is_met in status.permissives.items():
        why = status.protection.missing.get(name, "")
        lines.append(f"{name}: met" if is_met else f"{name}: MISSING. {why}")
    return "\n".join(lines), all(status.permissives.values())


def proof_words(model: LiveModel) -> str:
    """Whether the limits of this run are proven, and by whom."""
    told = [line.message for line in model.log.lines if line.kind is EventKind.PROOF]
    if told:
        return told[-1]
    asked = model.stand.start_conditions.limit_set_proven
    met = model.status is not None and model.status.permissives.get(LIMIT_SET_PROVEN, False)
    if asked:
        return "Proven in this run." if met else "The stand asks for a proof before it can be armed."
    return "No proof in this run; the stand does not ask for one."
