"""Plans that a run carried out: what was to be done, what was done, where it deviates, and the account."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from benchkit.model.events import Event, EventKind
from benchkit.model.plans import AXIS_QUANTITY, Axis
from benchkit.plans.account import number
from benchkit.plans.entries import target_from
from benchkit.report.model import Block, Cell, Column, Paragraph, RunReport, Section, Text, Tone, plain
from benchkit.report.rows import table_by_run
from benchkit.units import BENCH_UNIT

Row = tuple[Cell, ...]
POINTS_SHOWN = 200
DEVIATIONS_SHOWN = 200
TIME_DIGITS = 7
ACCOUNT_NOTE = (
    "Times are those of the stand. The account goes over all recordings of the plan up to the end of this one. Time in "
    "tolerance is counted row by row; a missing row counts for nothing. Credited is what was not repeated since."
)
ENTRIES = ("taken", "skipped", "stopped", "repeated", "confirmed", "not_passed")


HEAD = (
    Column("name", "Name"),
    Column("title", "Title"),
    Column("revision", "Revision"),
    Column("mode", "Mode"),
    Column("sha256", "Hash of its file"),
    Column("done", "Done in this run"),
)
DEVIATIONS = (Column("time", "Time", "s"), Column("step", "Step"), Column("what", "What"), Column("why", "Why"))
POINTS = (
    Column("time", "Reading from", "s"),
    Column("read", "Read", "s"),
    Column("waited", "Until taken", "s"),
    Column("step", "Step"),
    Column("target", "Target"),
    Column("mean", "Mean"),
    Column("away", "Mean less target"),
    Column("outside", "Outside tolerance", "s"),
)
ACCOUNT = (
    Column("of", "Of"),
    Column("name", "Name"),
    Column("credited", "Credited", "h"),
    Column("good", "In tolerance", "h"),
    Column("read", "Read", "h"),
    Column("cycles", "Cycles"),
)


def plan_section(runs: Sequence[RunReport]) -> Section | None:
    """Plan, deviations, stops, points and account of every run that carried one out."""
    if not any(_entries(run) for run in runs):
        return None
    deviations_note = "A stop is a deviation as well. A segment that is repeated from its start counts from there."
    points_note = (
        f"At most {POINTS_SHOWN} are listed; all are in the run file. Times are those of the stand; until taken: from "
        "the arrival of the set-points."
    )
    tables = (
        table_by_run(runs, "plan-head", "Plan", HEAD, _heads),
        table_by_run(runs, "plan-deviations", "Deviations", DEVIATIONS, _shown_deviations, note=deviations_note),
        table_by_run(runs, "plan-points", "Points taken", POINTS, _point_rows, note=points_note),
        table_by_run(runs, "plan-account", "Account by rating and segment", ACCOUNT, _share_rows, note=ACCOUNT_NOTE),
    )
    blocks: list[Block] = [Paragraph(text, tone) for run in runs for text, tone in _sentences(run, len(runs) > 1)]
    blocks += [table for table in tables if table is not None]
    return Section("plan", "Plan", tuple(blocks))


def _shown_deviations(run: RunReport) -> list[Row]:
    return list(_deviations(run))[:DEVIATIONS_SHOWN]


def _point_rows(run: RunReport) -> list[Row]:
    taken, repeats = _of_kind(run, "taken"), _of_kind(run, "repeated")
    return [_point_row(event, _is_repeated(event, repeats)) for event in taken[:POINTS_SHOWN]]


def _is_repeated(event: Event, repeats: Sequence[Event]) -> bool:
    """Whether its pass of the segment was repeated from the start later on."""
    key = (event.data.get("segment"), event.data.get("turn"))
    return any(
        (other.data.get("segment"), other.data.get("turn")) == key and other.time_s > event.time_s for other in repeats
    )


def _entries(run: RunReport) -> list[Event]:
    return [event for event in run.events if event.kind is EventKind.PLAN]


def _of_kind(run: RunReport, *entries: str) -> list[Event]:
    return [event for event in _entries(run) if event.data.get("entry") in entries]


def _account(run: RunReport) -> Mapping[str, object] | None:
    told = _of_kind(run, "account")
    return told[-1].data if told else None


def _sentences(run: RunReport, several: bool) -> Iterator[tuple[str, Tone]]:
    account = _account(run)
    if account is None:
        return
    of = f"Run {run.label}: " if several else ""
    stops = account.get("stops")
    causes = ", ".join(f"{cause} {count}" for cause, count in stops.items()) if isinstance(stops, Mapping) else ""
    yield (
        f"{of}{_whole(account, 'taken')} points taken, {_whole(account, 'skipped')} left out, "
        f"{_whole(account, 'repeated')} taken again. Starts: {_whole(account, 'starts')}. Stops: {causes or 'none'}. "
        f"{number(account.get('way_s')) / 3600.0:.3f} h under way; recordings: {_whole(account, 'recordings')}.",
        Tone.PLAIN,
    )
    ends = _of_kind(run, "finished", "abandoned")
    if not ends:
        yield f"{of}The plan was not finished in this run.", Tone.NOTE


def _heads(run: RunReport) -> Iterator[Row]:
    for opened in _of_kind(run, "opened"):
        data = opened.data
        done = len({event.data.get("step") for event in _of_kind(run, "taken", "skipped", "confirmed")})
        yield (
            Text(str(data.get("plan", ""))),
            Text(str(data.get("title", ""))),
            Text(str(data.get("revision", ""))),
            Text(str(data.get("mode", ""))),
            Text(str(data.get("sha256", "")), code=True),
            Text(f"{done} of {_whole(data, 'steps')} steps"),
        )


def _deviations(run: RunReport) -> Iterator[Row]:
    """Points outside tolerance, left out and repeated; stops; pass tests that were not passed."""
    words = {
        "skipped": ("left out", Tone.NOTE),
        "stopped": ("stopped", Tone.CAUTION),
        "repeated": ("repeated from its start", Tone.NOTE),
        "not_passed": ("not passed", Tone.CAUTION),
    }
    for event in _of_kind(run, *ENTRIES):
        data, entry = event.data, str(event.data.get("entry"))
        if entry == "taken":
            outside_s = number(data.get("outside_s"))
            if outside_s > 0.0:
                why = f"{outside_s:.3g} s of the reading outside its band"
                yield _deviation(event, "outside tolerance for a time", why, Tone.NOTE)
        elif entry in words:
            what, tone = words[entry]
            why = ": ".join(text for key in ("cause", "detail") if (text := str(data.get(key, ""))))
            yield _deviation(event, what, why, tone)


def _deviation(event: Event, what: str, why: str, tone: Tone) -> Row:
    step = event.message.partition(": ")[2].partition(": ")[0]
    return plain(round(event.time_s, 3), "s", TIME_DIGITS), Text(step), Text(what, tone), Text(why)


def _point_row(event: Event, is_repeated: bool) -> Row:
    data = event.data
    target, means = target_from(data.get("target")), target_from(data.get("means"))
    start_s, stop_s = number(data.get("from_s")), number(data.get("to_s"))
    away = {axis: means[axis] - value for axis, value in target.items() if axis in means}
    return (
        plain(round(start_s, 3), "s", TIME_DIGITS),
        plain(round(stop_s - start_s, 3), "s"),
        plain(round(number(data.get("waited_s")), 3), "s"),
        Text(f"{event.message.partition(': ')[2]}{' (does not count: repeated)' if is_repeated else ''}"),
        Text(_in_words(target)),
        Text(_in_words({axis: means[axis] for axis in target if axis in means})),
        Text(_in_words(away, "+.3g")),
        plain(round(number(data.get("outside_s")), 3), "s"),
    )


def _share_rows(run: RunReport) -> Iterable[Row]:
    account = _account(run) or {}
    for key, word in (("ratings", "rating"), ("segments", "segment")):
        shares = account.get(key)
        for name, share in shares.items() if isinstance(shares, Mapping) else ():
            if isinstance(share, Mapping):
                hours = [round(number(share.get(k)) / 3600.0, 6) for k in ("credited_s", "good_s", "read_s")]
                cycles = plain(number(share.get("cycles")), "1")
                yield (Text(word), Text(str(name)), *(plain(value, "h") for value in hours), cycles)


def _in_words(values: Mapping[Axis, float], form: str = ".6g") -> str:
    return ", ".join(f"{value:{form}} {BENCH_UNIT[AXIS_QUANTITY[axis]]}" for axis, value in values.items())


def _whole(data: Mapping[str, object], key: str) -> int:
    return int(number(data.get(key)))
