"""Texts of a pack that are made from its runs: event log, calibrations, what is what."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from enum import Enum
from typing import Any

from benchkit import __version__
from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION, NOT_AN_APPROVAL
from benchkit.model.events import Event
from benchkit.report.flags import certificate_state, started_day
from benchkit.report.model import RunReport


def events_text(run: RunReport) -> str:
    """The event log for people: time since the start of the run [s], kind, source and channel, message."""
    lines = [
        f"# Events of run {run.header.run_id}, started {run.header.started_utc}",
        f"# content SHA-256 {run.content_sha256}",
        "# time since the start of the run / s, kind, source, channel, message; tabs between; data as JSON below",
    ]
    for event in run.events:
        lines += _event_lines(event)
    return "\n".join(lines) + "\n"


def _event_lines(event: Event) -> Iterator[str]:
    parts = (f"{event.time_s:.6f}", event.kind.value, event.source or "-", event.channel or "-", event.message)
    yield "\t".join(_one_line(part) for part in parts)
    if event.data:
        yield f"\t{json.dumps(plain(dict(event.data)), ensure_ascii=False, sort_keys=True)}"


def _one_line(text: str) -> str:
    """Line ends and tabs inside a text as escapes: an entry cannot pass for two."""
    return text.replace("\\", "\\\\").replace("\r", "\\r").replace("\n", "\\n").replace("\t", "\\t")


def calibrations_text(run: RunReport) -> str:
    """Curve, uncertainty and certificate of every channel as JSON, with the state on the day of the run."""
    day = started_day(run.header)
    channels = []
    for channel in run.stand.channels.values():
        calibration = channel.calibration
        state, _ = certificate_state(calibration.certificate, day)
        channels.append(
            {
                "channel": channel.name,
                "label": channel.label,
                "unit": channel.unit,
                "curve": {"kind": type(calibration.curve).__name__} | plain(calibration.curve),
                "standard_uncertainty": plain(calibration.accuracy),
                "certificate": plain(calibration.certificate),
                "state_on_the_day_of_the_run": state,
            }
        )
    body = {
        "run_id": run.header.run_id,
        "day": day.isoformat(),
        "content_sha256": run.content_sha256,
        "channels": channels,
    }
    return json.dumps(body, ensure_ascii=False, indent=1) + "\n"


def plain(value: Any) -> Any:
    """Dataclasses, enums and days as values of JSON; what is not finite becomes null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(held) for key, held in value.items()}
    if isinstance(value, tuple | list):
        return [plain(held) for held in value]
    if isinstance(value, Enum | date):
        return value.isoformat() if isinstance(value, date) else plain(value.value)
    is_json = isinstance(value, str | int | float | bool | None)
    return None if isinstance(value, float) and not math.isfinite(value) else value if is_json else str(value)


def read_me(
    runs: Sequence[RunReport], paths: Sequence[str], again: str, left_out: Sequence[str], *, is_signed: bool
) -> str:
    """What the pack holds and how it is checked, with benchkit and without.

    ``again`` are the inputs of its report, ``left_out`` what the event logs name and the pack does not hold.
    """
    simulated = [run.label for run in runs if run.header.simulated]
    lines = [
        "Evidence pack of bench runs",
        "",
        *([f"SIMULATED DATA in run {', '.join(simulated)}: they say nothing about a real machine.", ""]
          if simulated else []),
        *(f"run {run.label}: {run.header.run_id}, started {run.header.started_utc}, content SHA-256 "
          f"{run.content_sha256}" for run in runs),
        "",
        "Files:",
        *(f"  {path}" for path in sorted(paths)),
        "",
        *(["Named in the event log, and NOT in this pack:", *(f"  {line}" for line in left_out), ""]
          if left_out else []),
        f"made with: benchkit {__version__}",
        "check:     benchkit verify PACK.zip",
        "or:        unpack it, then: sha256sum --check SHA256SUMS",
        f"again:     benchkit report {again} --out again.html --pdf again.pdf",
        "           the same bytes, with the same versions of benchkit and of the libraries it draws with",
        "",
        "SHA256SUMS.sig signs SHA256SUMS with Ed25519. It tells whose key, not who a person is: compare the fingerprint"
        " with one that you got another way." if is_signed else
        "NOT SIGNED: the checksums show damage. They do not show who made them, and can be made anew.",
        f"{NOT_AN_APPROVAL} {NOT_A_SAFETY_FUNCTION}",
        "",
    ]  # fmt: skip
    return "\n".join(lines)
