"""Tests of static thrust, and two propellers side by side."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchkit.analysis.exclude import kept
from benchkit.analysis.propeller_compare import SPECIMENS, compare_of_runs
from benchkit.model.results_thrust import (
    OutlierCheck,
    PropellerRow,
    Recirculating,
    ThrustTests,
    UpAndDown,
    ZeroCheck,
    ZeroedPoint,
)
from benchkit.report.model import (
    Block,
    Cell,
    Cloud,
    CloudFigure,
    CloudPanel,
    Column,
    Paragraph,
    RunReport,
    Section,
    Series,
    Text,
    Tone,
    number,
    plain,
    series,
)
from benchkit.report.rows import point_name, table_by_run

Row = tuple[Cell, ...]
U95 = "Values are value ± U, U the half-width of the 95 % interval."
NAMES = {"ct": "CT", "cp": "CP", "figure_of_merit": "Figure of merit"}


def thrust_tests_blocks(runs: Sequence[RunReport]) -> list[Block]:
    """Zero before and after, points with the zero taken off, recirculation, up against down, outliers."""
    zeros = table_by_run(
        runs,
        "zeros",
        "Zero before and after",
        (
            Column("channel", "Channel"),
            Column("before", "First rest"),
            Column("after", "Last rest"),
            Column("drift", "Moved by"),
            Column("verdict", "Verdict"),
        ),
        lambda run: (_zero_row(z) for tests in run.result.thrust_tests for z in tests.zeros),
        note=f"{U95} Means at rest with the same tare in force; from their scatter alone.",
    )
    zeroed = table_by_run(
        runs,
        "zeroed",
        "With the zero drawn straight between the rests",
        (
            Column("point", "Point"),
            Column("thrust", "Thrust", "N"),
            Column("torque", "Torque", "N·m"),
        ),
        lambda run: (_zeroed_row(z) for tests in run.result.thrust_tests for z in tests.zeroed),
        note=f"{U95} For comparison: all other results stand on the values as recorded. A zero that moved in one step "
        "is not drawn straight.",
    )
    tests = table_by_run(
        runs,
        "thrust-tests",
        "Tests of the static points",
        (
            Column("test", "Test"),
            Column("of", "Of"),
            Column("found", "Found"),
            Column("p_value", "p"),
            Column("verdict", "Verdict"),
        ),
        lambda run: (row for found in run.result.thrust_tests for row in _test_rows(found)),
        note=f"{U95} Recirculation: thrust over n² in the last fifth of the point against the first. Up and down: CT "
        "on the way down less the way up. Outlier: distance from the straight line over speed in standard deviations, "
        "Grubbs' test at 1 %. A test names a suspect; it takes no point away.",
    )
    return [block for block in (tests, zeros, zeroed) if block is not None]


def _zero_row(zero: ZeroCheck) -> Row:
    verdict = Text("has moved", Tone.CAUTION) if zero.has_moved else Text("no move shown")
    return (Text(zero.channel), *(number(x) for x in (zero.before, zero.after, zero.drift)), verdict)


def _zeroed_row(row: ZeroedPoint) -> Row:
    cells = (Text("not seen at rest") if x is None else number(x) for x in (row.thrust_n, row.torque_nm))
    return (Text(point_name(row.point)), *cells)


def _test_rows(tests: ThrustTests) -> Iterable[Row]:
    if tests.up_and_down is not None:
        yield _ways_row(tests.up_and_down)
    yield from (_outlier_row(one) for one in tests.outliers)
    yield from (_returned_row(one) for one in tests.recirculation)


def _ways_row(ways: UpAndDown) -> Row:
    verdict = Text("differ", Tone.CAUTION) if ways.is_significant else Text("no difference shown")
    of = Text(f"CT, {ways.speeds} speed{'' if ways.speeds == 1 else 's'}")
    return Text("Up and down"), of, number(ways.difference), plain(ways.p_value, "1", 2), verdict


def _outlier_row(one: OutlierCheck) -> Row:
    verdict = Text("outlier", Tone.CAUTION) if one.is_outlier else Text(f"none; critical is {one.critical:.3g}")
    of = Text(f"{one.coefficient}, {point_name(one.point)} of {one.points}")
    return Text("Outlier"), of, plain(one.distance, "1", 3), Text(""), verdict


def _returned_row(one: Recirculating) -> Row:
    verdict = Text("falls", Tone.CAUTION) if one.falls else Text("no fall shown")
    return Text("Recirculation"), Text(point_name(one.point)), number(one.change, in_percent=True), Text(""), verdict


# ------------------------------------------------------------------------------------------------ two propellers
def propellers_section(runs: Sequence[RunReport]) -> Section | None:
    """The first run with static points against each later one; absent where there are not two."""
    with_thrust = [run for run in runs if kept(run.result.thrust)]
    if len(with_thrust) < 2:
        return None
    first, blocks = with_thrust[0], []
    for other in with_thrust[1:]:
        rows = compare_of_runs(first.stand, first.result.thrust, other.stand, other.result.thrust)
        if rows:
            blocks += _comparison(first, other, rows)
    if not blocks:
        return None
    caution = Paragraph(
        f"{SPECIMENS} The tables count scatter and diameters. How well a propeller comes back to its values after it "
        "was taken off and put on again is not in them: measure it on this stand, and add it before two propellers "
        "are called different.",
        Tone.CAUTION,
    )
    return Section("propellers", "Propellers side by side", (caution, *blocks))


def _comparison(a: RunReport, b: RunReport, rows: Sequence[PropellerRow]) -> list[Block]:
    names = [run.stand.propeller.id if run.stand.propeller is not None else "propeller" for run in (a, b)]
    what = "the same propeller" if names[0] == names[1] else f"{names[1]} against {names[0]}"
    title = f"Run {b.label} against run {a.label}: {what}"
    slug = f"{a.label.lower()}-{b.label.lower()}"
    table = table_by_run(
        (a,),
        f"propellers-{slug}",
        title,
        (
            Column("coefficient", "Coefficient"),
            Column("speed", "Speed", "rpm"),
            Column("a", f"Run {a.label}"),
            Column("b", f"Run {b.label}"),
            Column("difference", "Difference"),
            Column("relative", "Of run " + a.label, "%"),
            Column("verdict", "Beyond scatter and diameters"),
        ),
        lambda _: (_difference_row(row) for row in rows),
        note=f"{U95} At the speeds of run {a.label} that lie within those of run {b.label}; calibrations are common to "
        "both and drop out.",
    )
    panels = []
    for name, title_of in NAMES.items():
        of = [row for row in rows if row.coefficient == name]
        if of:
            speeds = Series("speed", "rpm", tuple(row.speed_rpm for row in of))
            panels.append(
                CloudPanel(
                    title_of,
                    "Speed / rpm",
                    "Difference",
                    (Cloud(f"{b.label} less {a.label}", speeds, series(name, [row.difference for row in of])),),
                )
            )
    text = f"Differences of run {b.label} less run {a.label} over speed, with 95 % error bars."
    figure = CloudFigure(f"propellers-figure-{slug}", f"Differences, {b.label} less {a.label}", text, tuple(panels))
    return [block for block in (figure, table) if block is not None]


def _difference_row(row: PropellerRow) -> Row:
    return (
        Text(NAMES[row.coefficient]),
        plain(row.speed_rpm, "rpm", 4),
        number(row.a),
        number(row.b),
        number(row.difference),
        plain(100.0 * row.relative, "%", 3),
        Text("yes") if row.is_significant else Text("no"),
    )
