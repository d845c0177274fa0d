"""Plans that a run carried out: what was to be done, what was done, where it deviates, and the account."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from benchkit.model.events import Event, EventKind
from benchkit.model.plans import AXIS_QUANTITY, Axis
from benchkit.plans.account import Account, account_from, number
from benchkit.plans.account_words import account_lines, account_sentences
from benchkit.plans.deviations import deviation_of, word_of
from benchkit.plans.entries import EntryKind, target_from
from benchkit.report.model import Block, Cell, Column, Paragraph, RunReport, Section, Text, Tone, count, plain
from benchkit.report.rows import table_by_run
from benchkit.units import BENCH_UNIT

Row = tuple[Cell, ...]
POINTS_SHOWN = 200
DEVIATIONS_SHOWN = PEOPLE_SHOWN = 200
TIME_DIGITS = 7
ACCOUNT_NOTE = (
    "Times are those of the stand. The account goes over all recordings of the plan up to the end of this one. Asked "
    "is what the plan says; done are points that were taken and not repeated since. Time in tolerance is counted row "
    "by row; a missing row counts for nothing, nor does one behind a stop. Credited is time in tolerance that was not "
    "repeated since. A rating is what the plan counts a segment for; a cycle is one of its points, held or read to its "
    "end."
)
POINTS_NOTE = (
    f"At most {POINTS_SHOWN} are listed; all are in the run file. Times are those of the stand. Settled for: from the "
    "moment when all set-points had been sent to the beginning of the reading. A dwell that went on after a stop shows "
    "its last part. A point that does not count was repeated after a stop, as the plan says."
)
DEVIATIONS_NOTE = (
    f"Of this run, at most {DEVIATIONS_SHOWN}. Times are those of the stand; a dash: before the first sample. A stop "
    "is a deviation as well; a stopped plan went on only when a person said so. Left out: not taken, for the reason "
    "given."
)
_KINDS = {kind.value: kind for kind in EntryKind}


HEAD = (
    Column("name", "Name"),
    Column("title", "Title"),
    Column("revision", "Revision"),
    Column("mode", "Who sets"),
    Column("sha256", "Hash of its file"),
    Column("done", "Done in this run"),
)
DEVIATIONS = (Column("time", "Time", "s"), Column("step", "Step"), Column("what", "What"), Column("why", "Why"))
PEOPLE = (Column("time", "Time", "s"), Column("what", "What"), Column("who", "Who"), Column("as", "As"))
STOPS = (Column("cause", "Cause of the stop"), Column("count", "Times"))
POINTS = (
    Column("time", "Reading from", "s"),
    Column("settled", "Settled for", "s"),
    Column("read", "Read for", "s"),
    Column("outside", "Of it outside tolerance", "s"),
    Column("step", "Step"),
    Column("target", "Target"),
    Column("mean", "Mean"),
    Column("away", "Mean less target"),
    Column("counts", "Counts"),
)
ACCOUNT = (
    Column("of", "Of"),
    Column("name", "Name"),
    Column("asked", "Points or cycles asked"),
    Column("done", "Done"),
    Column("skipped", "Left out"),
    Column("asked_h", "Asked", "h"),
    Column("credited", "Credited", "h"),
    Column("good", "In tolerance", "h"),
    Column("read", "Read", "h"),
)
MODES = {"drive": "the tool (drive)", "lead": "a person (lead)"}


def plan_section(runs: Sequence[RunReport]) -> Section | None:
    """Plan, deviations, stops, points and account of every run that carried one out."""
    if not any(_entries(run) for run in runs):
        return None
    tables = (
        table_by_run(runs, "plan-head", "Plan", HEAD, _heads),
        table_by_run(runs, "plan-account", "Account by rating and segment", ACCOUNT, _share_rows, note=ACCOUNT_NOTE),
        table_by_run(runs, "plan-stops", "Stops of the plan", STOPS, _stop_rows),
        table_by_run(runs, "plan-people", "Who began, approved and confirmed", PEOPLE, _people_rows),
        table_by_run(runs, "plan-deviations", "Deviations", DEVIATIONS, _shown_deviations, note=DEVIATIONS_NOTE),
        table_by_run(runs, "plan-points", "Points taken", POINTS, _point_rows, note=POINTS_NOTE),
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


def _account(run: RunReport) -> Account | None:
    told = _of_kind(run, "account")
    return account_from(told[-1].data) if told else None


def _sentences(run: RunReport, several: bool) -> Iterator[tuple[str, Tone]]:
    account = _account(run)
    if account is None:
        return
    of = f"Run {run.label}: " if several else ""
    yield f"{of}{' '.join(account_sentences(account))}", Tone.PLAIN
    ends = _of_kind(run, "finished", "abandoned")
    if not ends:
        yield f"{of}The plan was not finished in this run.", Tone.NOTE
    elif ends[-1].data.get("entry") == "abandoned":
        why = ends[-1].data
        yield f"{of}The plan was given up: {why.get('reason', '')} ({why.get('who', '')}).", Tone.NOTE


def _heads(run: RunReport) -> Iterator[Row]:
    for opened in _of_kind(run, "opened"):
        data = opened.data
        done = len({event.data.get("step") for event in _of_kind(run, "taken", "skipped", "confirmed")})
        yield (
            Text(str(data.get("plan", ""))),
            Text(str(data.get("title", ""))),
            Text(str(data.get("revision", ""))),
            Text(MODES.get(str(data.get("mode", "")), str(data.get("mode", "")))),
            Text(str(data.get("sha256", "")), code=True),
            Text(f"{done} of {_whole(data, 'steps')} steps"),
        )


def _deviations(run: RunReport) -> Iterator[Row]:
    """Points outside tolerance, left out and repeated; stops; pass tests that were not passed."""
    for event in _entries(run):
        kind = _KINDS.get(str(event.data.get("entry")))
        found = None if kind is None else deviation_of(kind, event.message.partition(": ")[2], event.data)
        if found is not None:
            tone = Tone.CAUTION if found.is_grave else Tone.NOTE
            yield _at(event), Text(found.step), Text(found.what, tone), Text(found.why)


def _at(event: Event) -> Cell:
    """Time of the stand."""
    seen_s = event.data.get("stream_s")
    return plain(round(number(seen_s), 3), "s", TIME_DIGITS) if isinstance(seen_s, int | float) else Text("–")


def _people_rows(run: RunReport) -> Sequence[Row]:
    return [
        (_at(event), Text(told.what), Text(told.who), Text(told.role or "–"))
        for event in _entries(run)
        if (kind := _KINDS.get(str(event.data.get("entry")))) is not None
        and (told := word_of(kind, event.message.partition(": ")[2], event.data)) is not None
    ][:PEOPLE_SHOWN]


def _point_row(event: Event, is_repeated: bool) -> Row:
    data = event.data
    target, means = target_from(data.get("target")), target_from(data.get("means"))
    start_s, stop_s = number(data.get("from_s")), number(data.get("to_s"))
    read_s = stop_s - start_s
    away = {axis: means[axis] - value for axis, value in target.items() if axis in means}
    return (
        plain(round(start_s, 3), "s", TIME_DIGITS),
        plain(round(max(0.0, number(data.get("waited_s")) - read_s), 3), "s"),
        plain(round(read_s, 3), "s"),
        plain(round(number(data.get("outside_s")), 3), "s"),
        Text(event.message.partition(": ")[2]),
        Text(_in_words(target)),
        Text(_in_words({axis: means[axis] for axis in target if axis in means})),
        Text(_in_words(away, "+.3g")),
        Text("no: repeated", Tone.NOTE) if is_repeated else Text("yes"),
    )


def _stop_rows(run: RunReport) -> Iterable[Row]:
    account = _account(run)
    return [(Text(cause), count(n)) for cause, n in account.stops.items()] if account is not None else []


def _share_rows(run: RunReport) -> Iterable[Row]:
    account = _account(run)
    for line in () if account is None else account_lines(account):
        asked = (count(line.asked.points), plain(_hours(line.asked.dwell_s), "h")) if line.asked else (Text("–"),) * 2
        share = line.share
        yield (
            Text(line.of),
            Text(line.name),
            asked[0],
            count(share.cycles),
            count(share.skipped),
            asked[1],
            *(plain(_hours(seconds), "h") for seconds in (share.credited_s, share.good_s, share.read_s)),
        )


def _hours(seconds: float) -> float:
    return round(seconds / 3600.0, 4)


def _in_words(values: Mapping[Axis, float], form: str = ".6g") -> str:
    return ", ".join(f"{value:{form}}\u00a0{BENCH_UNIT[AXIS_QUANTITY[axis]]}" for axis, value in values.items())


def _whole(data: Mapping[str, object], key: str) -> int:
    return int(number(data.get(key)))
