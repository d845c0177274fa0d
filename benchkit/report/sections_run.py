"""Summary, cautions and run header."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from benchkit.analysis.exclude import kept
from benchkit.model.cautions import CAUTIONS
from benchkit.model.results import Estimate, PowerBalance
from benchkit.report.flags import Flag, open_flags, started_text
from benchkit.report.model import (
    Block,
    Cell,
    Column,
    Listing,
    Number,
    Paragraph,
    RunReport,
    Section,
    Table,
    Text,
    Tone,
    count,
    number,
    plain,
)
from benchkit.report.numbers import mostly_from, show, show_interval
from benchkit.report.overview import overview_figure
from benchkit.report.rows import is_known, of_run, point_name, run_slug, table_by_run

Row = tuple[Cell, ...]


def summary_section(runs: Sequence[RunReport]) -> Section:
    """Key numbers with their 95 % interval, and what is still open."""
    blocks: list[Block] = [_verdict(run, runs) for run in runs]
    columns = (
        Column("quantity", "Quantity"),
        Column("value", "Value ± U (95 %)"),
        Column("interval", "95 % interval"),
        Column("where", "Where"),
        Column("mostly_from", "Uncertainty mostly from"),
    )
    table = table_by_run(runs, "key-numbers", "Key numbers", columns, _key_rows)
    if table is not None:
        blocks.append(table)
    else:
        blocks.append(Paragraph("No steady operating point was found: there are no key numbers.", Tone.CAUTION))
    return Section("summary", "Summary", tuple(blocks))


def _verdict(run: RunReport, runs: Sequence[RunReport]) -> Paragraph:
    flags = open_flags(run)
    counts = [(tone, sum(flag.tone is tone for flag in flags)) for tone in (Tone.ERROR, Tone.CAUTION, Tone.NOTE)]
    heading = f"Open flags{of_run(run, runs)}"
    trips = f" {len(run.trips)} trip{'s' if len(run.trips) != 1 else ''} in this run." if run.trips else ""
    words = ", ".join(f"{n} {tone.value}{'s' if n != 1 else ''}" for tone, n in counts if n)
    if not words:
        return Paragraph(f"None.{trips}", Tone.GOOD, heading)
    worst = next(tone for tone, n in counts if n)
    first = next(flag for flag in flags if flag.tone is worst)
    advice = "" if worst is Tone.NOTE else " Read them before the numbers are used."
    more = " (and more, see Data quality)" if len(flags) > 1 else ""
    return Paragraph(f"{words}.{trips}{advice} First: {_sentence(first)}{more}", worst, heading)


def _sentence(flag: Flag) -> str:
    return flag.message.rstrip(".") + "."


def _key_rows(run: RunReport) -> Iterable[Row]:
    result = run.result
    for name, pick in _EFFICIENCIES:
        best = max((b for b in result.balances if is_known(pick(b))), key=lambda b: pick(b).value, default=None)
        if best is not None:
            yield _key(f"Greatest measured {name} efficiency", pick(best), _at(best), in_percent=True)
    for found in result.maps:
        where = _place(found.best_speed_rpm, found.best_torque_nm)
        name = f"Greatest {found.subject} efficiency on the fitted map"
        if is_known(found.best_efficiency):
            yield _key(name, found.best_efficiency, where, in_percent=True)
    top = max(
        (b for b in result.balances if is_known(b.shaft_power_w)), key=lambda b: b.shaft_power_w.value, default=None
    )
    if top is not None:
        yield _key("Greatest shaft power held", top.shaft_power_w, _at(top))
    thrust = max((t for t in kept(result.thrust) if is_known(t.thrust_n)), key=lambda t: t.thrust_n.value, default=None)
    if thrust is not None:
        where = f"{point_name(thrust.point)}, {show(plain(thrust.speed_rpm.value, 'rpm', 4))}"
        yield _key("Greatest static thrust", thrust.thrust_n, where)
        yield _key("Thrust coefficient CT", thrust.ct, where)
        yield _key("Power coefficient CP", thrust.cp, where)
        yield _key("Figure of merit", thrust.figure_of_merit, where)
    for rating in result.ratings:
        if is_known(rating.torque_nm):
            label = run.stand.channels[rating.channel].label if rating.channel in run.stand.channels else rating.channel
            where = f"{label} at {show(plain(rating.limit_c, '°C'))}, {show(plain(rating.speed_rpm, 'rpm', 4))}"
            suffix = " (extrapolated)" if rating.is_extrapolated else ""
            yield _key(f"Continuous torque{suffix}", rating.torque_nm, where)


_EFFICIENCIES: tuple[tuple[str, Callable[[PowerBalance], Estimate]], ...] = (
    ("drive", lambda b: b.drive_efficiency),
    ("inverter", lambda b: b.inverter_efficiency),
    ("motor", lambda b: b.motor_efficiency),
)


def _at(balance: PowerBalance) -> str:
    return f"{point_name(balance.point)}, {_place(balance.speed_rpm.value, balance.torque_nm.value)}"


def _place(speed_rpm: float, torque_nm: float) -> str:
    return f"{show(plain(speed_rpm, 'rpm', 4))}, {show(plain(torque_nm, 'N·m', 4))}"


def _key(name: str, estimate: Estimate, where: str, *, in_percent: bool = False) -> Row:
    value = number(estimate, in_percent=in_percent)
    return (Text(name), value, Text(show_interval(value)), Text(where), Text(mostly_from(value)))


def cautions_section() -> Section:
    """The usual cautions."""
    return Section("cautions", "Cautions", (Listing(tuple((c.heading, c.text) for c in CAUTIONS)),))


def header_section(runs: Sequence[RunReport]) -> Section:
    """Who, what, when and with which software, one table a run; then the run over time."""
    blocks: list[Block] = []
    for run in runs:
        blocks.append(_header_table(run, runs))
        figure = overview_figure(run, runs)
        if figure is not None:
            blocks.append(figure)
    return Section("run-header", "Run header" if len(runs) == 1 else "Run headers", tuple(blocks))


def _header_table(run: RunReport, runs: Sequence[RunReport]) -> Table:
    header, stand = run.header, run.stand
    rows: list[Row] = [
        (Text("Run"), Text(header.run_id, code=True)),
        (Text("File"), Text(run.file_name, code=True)),
        (Text("Started"), Text(started_text(header))),
        (Text("Stand"), Text(f"{stand.title} ({header.stand})")),
        (Text("Data"), _origin(run)),
        (Text("Operator"), Text(header.operator or "not recorded")),
        (Text("Recorded on"), Text(header.host or "not recorded")),
        (Text("Recorded with"), Text(f"benchkit {header.software_version}, file format {header.format_version}")),
        (Text("Inverter"), Text(stand.inverter.id)),
        (Text("Inverter firmware"), Text(stand.inverter.firmware_revision)),
        (Text("Firmware SHA-256"), Text(stand.inverter.firmware_sha256, code=True)),
        (Text("Switching frequency"), plain(stand.inverter.switching_frequency_hz, "Hz")),
        (Text("Motor"), Text(f"{stand.motor.id}, {stand.motor.pole_pairs} pole pairs")),
        (Text("Rated torque"), plain(stand.motor.rated_torque_nm, "N·m")),
        (Text("Rated current"), plain(stand.motor.rated_current_a, "A")),
    ]
    if stand.propeller is not None:
        prop = stand.propeller
        rows.append((Text("Propeller"), Text(f"{prop.id}, {prop.blades} blades")))
        rows.append((Text("Propeller diameter"), Number(prop.diameter_m, "m", prop.u_diameter_m)))
    rows.append((Text("Limit set"), Text(f"{stand.limit_set.name}, revision {stand.limit_set.revision}")))
    rows.append((Text("SHA-256 of the limits"), Text(stand.limit_set.sha256, code=True)))
    for source in run.sources:
        rows.append((Text(f"Rows of source {source.name}"), count(source.rows)))
        rows.append((Text(f"Length of source {source.name}"), plain(source.duration_s, "s")))
    if stand.notes:
        rows.append((Text("Stand notes"), Text(stand.notes)))
    if header.note:
        rows.append((Text("Note"), Text(header.note)))
    if header.recovered_from:
        rows.append((Text("Recovered from"), Text(header.recovered_from, code=True)))
    closed = Text("Closed in order") if run.is_closed else Text("NOT CLOSED: recording ended early", Tone.CAUTION)
    rows.append((Text("File state"), closed))
    title = f"Run {run.label}" if len(runs) > 1 else "Run"
    return Table(f"header-{run_slug(run)}", title, (Column("item", "Item"), Column("value", "Value")), tuple(rows))


def _origin(run: RunReport) -> Text:
    if not run.header.simulated:
        return Text("measured")
    seed = "not recorded" if run.header.seed is None else str(run.header.seed)
    return Text(f"SIMULATED, seed {seed}, time factor {run.header.time_factor:g}", Tone.CAUTION)
