"""Moving about in a recorded run."""

from __future__ import annotations

KEYS: tuple[tuple[str, str], ...] = (
    ("F1", "this list"),
    ("Page Down / Page Up", "next / previous page of trends"),
    ("+ / −", "shorter / longer time on the trends"),
    ("Left / Right", "move the cursor (with Shift: ten times as far)"),
    ("Home", "the whole run"),
    ("Enter on an event", "put the cursor there"),
    ("Tab", "next control"),
    ("Ctrl+W", "close this window"),
)
"""Keys of the recorded view that stand in no menu."""
_SHORTEST_S = 0.2
_ZOOM = 2.0
_STEPS = 200.0


def zoomed(start_s: float, end_s: float, about_s: float, step: int, whole: tuple[float, float]) -> tuple[float, float]:
    """A view twice as long (``step`` 1) or half as long (-1) about a moment, inside the whole run."""
    length = (end_s - start_s) * (_ZOOM if step > 0 else 1.0 / _ZOOM)
    length = min(max(length, _SHORTEST_S), whole[1] - whole[0])
    anchor = about_s if start_s <= about_s <= end_s else 0.5 * (start_s + end_s)
    share = (anchor - start_s) / (end_s - start_s)
    start = min(max(anchor - share * length, whole[0]), whole[1] - length)
    return start, start + length


def panned(cursor_s: float, steps: float, start_s: float, end_s: float) -> tuple[float, float, float]:
    """The cursor moved by 1/200 of the view per step, and the view, which follows where the cursor leaves it."""
    moved = cursor_s + steps * (end_s - start_s) / _STEPS
    shift = min(moved - start_s, 0.0) + max(moved - end_s, 0.0)
    return moved, start_s + shift, end_s + shift
