"""What is still open about a run: everything a reader must know before using its numbers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from benchkit.analysis.quality import DETECTORS
from benchkit.model.calibration import Certificate
from benchkit.model.events import EventKind
from benchkit.model.results import Finding
from benchkit.model.run import RunHeader
from benchkit.report.model import RunReport, Tone
from benchkit.report.numbers import plain_text, true_minus
from benchkit.report.proofs import proof_of

DUE_SOON = timedelta(days=30)
SHORT_HEATING = 1.5
"""A heating fit over fewer time constants than this is said to be extrapolated."""
POOR_FIT = 4.0
"""χ² per degree of freedom above which the points lie about twice their uncertainty off the model (our rule)."""
_ORDER = (Tone.ERROR, Tone.CAUTION, Tone.NOTE)
_TONE = {"error": Tone.ERROR, "caution": Tone.CAUTION, "note": Tone.NOTE}


@dataclass(frozen=True, slots=True)
class Flag:
    """One open flag: how loud, what kind, what about, the evidence in words and rows, its usual cause, what to do."""

    tone: Tone
    code: str
    about: str
    message: str
    cause: str = ""
    action: str = ""
    rows: str = ""
    """First and last row of the evidence, counted from 0; empty where it is no matter of rows."""


def open_flags(run: RunReport) -> tuple[Flag, ...]:
    """All flags, errors first; within one tone in the order found."""
    flags = [*_findings(run), *_excluded(run), *_maps(run), *_recording(run), *_protection(run), *_thermal(run)]
    return tuple(sorted(flags, key=lambda flag: _ORDER.index(flag.tone)))


def started_day(header: RunHeader) -> date:
    """Day on which the run started, in the offset in which it was recorded."""
    return datetime.fromisoformat(header.started_utc).date()


def started_text(header: RunHeader) -> str:
    """Start of the run to the second, with its offset."""
    started = datetime.fromisoformat(header.started_utc)
    zone = "UTC" if not started.utcoffset() else started.strftime("%z")
    return f"{started.strftime('%Y-%m-%d %H:%M:%S')} {zone}"


def certificate_state(certificate: Certificate | None, on: date) -> tuple[str, Tone]:
    """State of a certificate on the day of the run, in words."""
    if certificate is None:
        return "no certificate", Tone.NOTE
    if certificate.due < on:
        return "EXPIRED on the day of the run", Tone.CAUTION
    if certificate.date > on:
        return "dated after the run", Tone.CAUTION
    if certificate.due - on <= DUE_SOON:
        return "valid, due within 30 days", Tone.NOTE
    return "valid", Tone.PLAIN


def _findings(run: RunReport) -> Iterable[Flag]:
    """Findings of the analysis; the same words about several channels make one flag."""
    about: dict[tuple[Tone, str, str], list[Finding]] = {}
    for finding in run.result.findings:
        key = (_TONE.get(finding.severity, Tone.CAUTION), finding.code, true_minus(finding.message))
        about.setdefault(key, []).append(finding)
    for (tone, code, message), found in about.items():
        words = DETECTORS.get(code)
        cause, action = (words.cause, words.action) if words is not None else ("", "")
        channels = ", ".join(filter(None, dict.fromkeys(finding.channel for finding in found)))
        rows = f"{found[0].row_start} … {found[0].row_stop - 1}" if found[0].row_stop > found[0].row_start else ""
        yield Flag(tone, code, channels, message, cause, action, rows)


def _excluded(run: RunReport) -> Iterable[Flag]:
    for point in run.result.points:
        if point.is_excluded:
            text = f"Point {point.index + 1} is in no map and no fit: {point.excluded_reason} ({point.excluded_by})"
            rows = f"{point.row_start} … {point.row_stop - 1}"
            yield Flag(Tone.NOTE, "excluded_point", point.stream, text, rows=rows)


def _maps(run: RunReport) -> Iterable[Flag]:
    for found in run.result.maps:
        if found.model.chi2_per_dof > POOR_FIT:
            text = (
                f"The loss model of the {found.subject} misses its points by more than their uncertainty explains "
                f"(χ² per degree of freedom {plain_text(found.model.chi2_per_dof, 3)})"
            )
            yield Flag(Tone.NOTE, "loss_model_poor", found.subject, text)


def _recording(run: RunReport) -> Iterable[Flag]:
    if run.header.recovered_from:
        text = f"Recovered from the interrupted recording {run.header.recovered_from}; its last moments may be missing"
        yield Flag(Tone.CAUTION, "recovered", run.file_name, text)
    if not run.is_closed:
        text = "The file was not closed in order; the end of the run may be missing"
        yield Flag(Tone.CAUTION, "not_closed", run.file_name, text)
    for source in run.sources:
        if source.bad_frames:
            text = f"{source.bad_frames} frame(s) were refused; no sample was made from them"
            yield Flag(Tone.NOTE, "bad_frames", source.name, text)
    for kind, word in ((EventKind.SOURCE_LOST, "was lost"), (EventKind.RECORDING_FAULT, "had a recording fault")):
        for event in run.events:
            if event.kind is kind:
                about = event.source or "recorder"
                text = f"{about} {word} at {plain_text(event.time_s)} s: {event.message}"
                yield Flag(Tone.CAUTION, kind.value, about, text)


def _protection(run: RunReport) -> Iterable[Flag]:
    if run.stand.start_conditions.limit_set_proven and proof_of(run.events) is None:
        text = "The profile asks for a proof of all limits, and the run has none"
        yield Flag(Tone.CAUTION, "limits_not_proven", run.stand.limit_set.name, text)
    for event in run.events:
        if event.kind is EventKind.STOP_NOT_ACKNOWLEDGED:
            text = f"A stop command was not acknowledged at {plain_text(event.time_s)} s: {event.message}"
            yield Flag(Tone.ERROR, event.kind.value, event.source, text)
        elif event.kind is EventKind.STOP_ESCALATED:
            text = f"A stop was not answered and escalated at {plain_text(event.time_s)} s: {event.message}"
            yield Flag(Tone.ERROR, event.kind.value, event.source, text)
        elif event.kind is EventKind.PRE_RUN_CHECK and event.data.get("findings"):
            yield Flag(
                Tone.CAUTION, event.kind.value, "", f"Before the run, at {plain_text(event.time_s)} s: {event.message}"
            )
        elif event.kind is EventKind.LIMIT_SET:
            # the table of limits is that of the profile: this one was stricter from here on
            text = f"A set point was moved during the run, at {plain_text(event.time_s)} s: {event.message}"
            yield Flag(Tone.NOTE, event.kind.value, event.channel, text)
        elif event.kind is EventKind.FLOOD:
            text = f"More alarms than a person can answer at {plain_text(event.time_s)} s: {event.message}"
            yield Flag(Tone.NOTE, event.kind.value, "", text)
    for trip in run.trips:
        if trip.order_resolved is False:
            text = f"The order of the causes {', '.join(trip.limits)} is not resolved"
            yield Flag(Tone.NOTE, "order_not_resolved", trip.channel, text)


def _thermal(run: RunReport) -> Iterable[Flag]:
    for fit in run.result.heating:
        if fit.covered < SHORT_HEATING:
            text = f"Heating of {fit.channel} followed for {fit.covered:.2f} time constants: its end is extrapolated"
            yield Flag(Tone.CAUTION, "heating_short", fit.channel, text)
    for rating in run.result.ratings:
        if rating.is_extrapolated:
            text = f"The continuous rating by {rating.channel} lies outside 0.5 to 1.5 times the tested loss"
            yield Flag(Tone.CAUTION, "rating_extrapolated", rating.channel, text)
