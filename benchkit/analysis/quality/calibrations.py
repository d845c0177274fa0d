"""Checks of what the run says of itself: calibration certificates and firmware."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date

from benchkit.analysis.quality.look import Look
from benchkit.model.events import EventKind
from benchkit.model.results import Finding
from benchkit.model.stand import Stand

_SHA256 = re.compile(r"[0-9a-f]{64}")


def check_calibrations(stand: Stand, run_date: date, channels: Sequence[str]) -> tuple[Finding, ...]:
    """Channels whose calibration was overdue, not yet valid or without certificate on the day of the run."""
    findings = []
    for name in channels:
        channel = stand.channels.get(name)
        if channel is None or channel.derived is not None:
            continue
        certificate = channel.calibration.certificate
        if certificate is None:
            findings.append(Finding("note", "no_certificate", "The channel has no calibration certificate.", name))
        elif run_date > certificate.due:
            text = f"Calibration {certificate.id} was due on {certificate.due}, the run is of {run_date}."
            findings.append(Finding("caution", "calibration_overdue", text, name))
        elif run_date < certificate.date:
            text = f"Calibration {certificate.id} is of {certificate.date}, after the run of {run_date}."
            findings.append(Finding("caution", "calibration_after_run", text, name))
    return tuple(findings)


# ------------------------------------------------------------------------------------------------ firmware
def firmware(look: Look) -> list[Finding]:
    """Firmware hash that is missing or no hash, and what the devices said of theirs while the run went on."""
    stated = look.stand.inverter.firmware_sha256.lower()
    findings = []
    if not _SHA256.fullmatch(stated) or len(set(stated)) == 1:
        text = f"The profile has no SHA-256 of the firmware of {look.stand.inverter.id}: {stated or 'nothing'}."
        findings.append(Finding("caution", "firmware_hash_missing", text))
    told = {str(e.data["firmware_sha256"]).lower() for e in look.events if "firmware_sha256" in e.data}
    others = sorted(told - {stated})
    if others:
        text = f"The inverter told of firmware {', '.join(h[:12] for h in others)}…; the profile says {stated[:12]}…"
        findings.append(Finding("error", "firmware_changed", text))
    return findings + _identities(look)


def identity_of(reply: str) -> str:
    """What a device says of itself in a reply line; empty for any other line.

    ``identity: ...`` is the answer of a SCPI instrument to ``*IDN?``, told where it differs from that of the opening
    before; ``firmware: ...`` any device may send.

    >>> identity_of("identity: MARSH,PA-4,0017,1.4.2"), identity_of("ok stop ramp")
    ('identity: MARSH,PA-4,0017,1.4.2', '')
    """
    text = reply.strip()
    return text if text.partition(":")[0] in _TELLS and text.partition(":")[2].strip() else ""


def identity_change(before: str, now: str) -> str:
    """In words what differs between two lines of :func:`identity_of` of one kind; empty where nothing does."""
    kind, _, old = before.partition(":")
    other, _, new = now.partition(":")
    if kind != other or old.strip() == new.strip():
        return ""
    fields = [[part.strip() for part in text.split(",")] for text in (old, new)]
    is_firmware = kind == "firmware" or (len(fields[0]) == len(fields[1]) and fields[0][:3] == fields[1][:3])
    what = "its firmware changed" if is_firmware else "another instrument answers"
    return f"{what}: {old.strip()} before, {new.strip()} now"


_TELLS = ("identity", "firmware")


def _identities(look: Look) -> list[Finding]:
    """A device that told of one firmware and then of another within the run."""
    last: dict[str, str] = {}
    findings = []
    for event in look.events:
        told = identity_of(event.message) if event.kind is EventKind.REPLY else ""
        if not told or event.source != look.stream.source:
            continue
        kind = told.partition(":")[0]
        words = identity_change(last[kind], told) if kind in last else ""
        if words:
            row = look.stream.row_at(event.time_s)
            text = f"{event.source}, at {event.time_s:.1f} s: {words}."
            findings.append(Finding("error", "firmware_changed", text, "", row, len(look.stream)))
        last[kind] = told
    return findings


def firmware_of_runs(stands: Sequence[Stand]) -> list[Finding]:
    """Runs that are put side by side with one revision of the firmware and two hashes, or the other way round."""
    findings = []
    for id_ in dict.fromkeys(stand.inverter.id for stand in stands):
        same = [stand.inverter for stand in stands if stand.inverter.id == id_]
        by_revision: dict[str, set[str]] = {}
        for inverter in same:
            by_revision.setdefault(inverter.firmware_revision, set()).add(inverter.firmware_sha256.lower())
        for revision, hashes in by_revision.items():
            if len(hashes) > 1:
                text = f"{id_}: firmware {revision} has {len(hashes)} different hashes in these runs."
                findings.append(Finding("error", "firmware_changed", text))
        if len(by_revision) > 1:
            text = f"{id_}: the runs were made with firmware {', '.join(by_revision)}."
            findings.append(Finding("note", "firmware_differs", text))
    return findings
