"""The airboat with a heartbeat: a profile on the shared example, for tests."""

from __future__ import annotations

from pathlib import Path

from benchkit.profiles import shared_path

MESSAGE = """
kind = "message"
source = "rack"
command = "alive {count}"
answered_by = "ok alive {count}"
"""


def profile_with_heartbeat(
    folder: Path, output: str = MESSAGE, *, period_s: float = 0.1, stop_on_trip: bool = False
) -> Path:
    """Write the profile and return its path."""
    path = folder / "beating.toml"
    base = shared_path("stands", "airboat.toml")
    period = f'period = {{ value = {period_s}, unit = "s" }}\nstop_on_trip = {str(stop_on_trip).lower()}\n'
    # a computer so busy with tests that the stand itself falls silent for half a second is not what is looked at here
    patient = '[sources.rack]\nstale_after = { value = 10.0, unit = "s" }\n'
    path.write_text(
        f'[profile]\nbase = "{base.as_posix()}"\n\n{patient}\n[heartbeat]{output}{period}', encoding="utf-8"
    )
    return path
