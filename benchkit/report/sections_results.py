"""Results of operating points: power balance, efficiency maps, static thrust."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from benchkit.analysis.budget import in_words, what_would_reduce
from benchkit.analysis.exclude import kept
from benchkit.analysis.linear_checks import sources_of
from benchkit.model.results import Estimate, HeatBalance, OperatingPoint, PowerBalance, SquareLaw, StaticThrust
from benchkit.model.stand import Role
from benchkit.report.model import (
    Block,
    Cell,
    Cloud,
    CloudFigure,
    CloudPanel,
    Column,
    Listing,
    LossFigure,
    RunReport,
    Section,
    Series,
    Text,
    Tone,
    count,
    number,
    plain,
    series,
)
from benchkit.report.rows import is_known, of_run, point_name, run_slug, table_by_run
from benchkit.report.sections_thrust_tests import thrust_tests_blocks

Row = tuple[Cell, ...]
POINT = Column("point", "Point")
U95 = (
    "Values are value ± U, U the half-width of the 95 % interval (?: too few independent readings to state one; "
    "[low … high]: the interval by Monte Carlo, where ± U does not hold)."
)


# ------------------------------------------------------------------------------------------ power balance
def power_section(runs: Sequence[RunReport]) -> Section | None:
    """Powers, losses and efficiencies of every operating point, and the losses as stacked bars."""
    if not any(run.result.balances for run in runs):
        return None
    powers = table_by_run(
        runs,
        "powers",
        "Powers",
        (
            POINT,
            Column("speed", "Speed", "rpm"),
            Column("torque", "Torque", "N·m"),
            Column("dc_power", "DC link power", "W"),
            Column("ac_power", "Inverter output power", "W"),
            Column("shaft_power", "Shaft power", "W"),
        ),
        lambda run: (_power_row(balance) for balance in run.result.balances),
        note=f"{U95} Motoring is positive.",
    )
    losses = table_by_run(
        runs,
        "losses",
        "Losses and efficiencies",
        (
            POINT,
            Column("inverter_loss", "Inverter loss", "W"),
            Column("motor_loss", "Motor loss", "W"),
            Column("drive_loss", "Drive loss", "W"),
            Column("inverter_efficiency", "Inverter efficiency", "%"),
            Column("motor_efficiency", "Motor efficiency", "%"),
            Column("drive_efficiency", "Drive efficiency", "%"),
        ),
        lambda run: (_loss_row(balance) for balance in run.result.balances),
        note=f"{U95} Loss = power in − power out, in both directions. "
        "Efficiency: what comes out over what goes in, so DC over shaft power while generating.",
    )
    heat = table_by_run(
        runs,
        "heat-balance",
        "Heat balance",
        (
            POINT,
            Column("loss", "Drive loss", "W"),
            Column("coolant_heat", "Heat in the coolant", "W"),
            Column("residual", "Residual", "W"),
            Column("residual_share", "Residual over loss", "%"),
        ),
        lambda run: (_heat_row(row) for row in run.result.heat_balances),
        note=f"{U95} Residual = loss − heat in the coolant: heat to the air, heat stored while the machine warms or "
        "cools, and every error.",
    )
    figures = [_loss_figure(run, runs) for run in runs]
    halving = halving_block(runs, _efficiency_to_halve)
    blocks: list[Block] = [block for block in (*figures, powers, losses, heat, halving) if block is not None]
    return Section("power-balance", "Power balance", tuple(blocks))


def _power_row(b: PowerBalance) -> Row:
    values = (b.speed_rpm, b.torque_nm, b.dc_power_w, b.ac_power_w, b.shaft_power_w)
    return (_point_cell(b.point), *(number(value) for value in values))


def _loss_row(b: PowerBalance) -> Row:
    losses = (b.inverter_loss_w, b.motor_loss_w, b.drive_loss_w)
    efficiencies = (b.inverter_efficiency, b.motor_efficiency, b.drive_efficiency)
    return (
        _point_cell(b.point),
        *(number(value) for value in losses),
        *(number(value, in_percent=True) for value in efficiencies),
    )


def _heat_row(row: HeatBalance) -> Row:
    watts = (row.loss_w, row.coolant_heat_w, row.residual_w)
    return (_point_cell(row.point), *(number(x) for x in watts), number(row.residual_share, in_percent=True))


def _loss_figure(run: RunReport, runs: Sequence[RunReport]) -> LossFigure | None:
    balances = [b for b in kept(run.result.balances) if is_known(b.drive_loss_w)]
    if not balances:
        return None
    if any(is_known(b.inverter_loss_w) and is_known(b.motor_loss_w) for b in balances):
        parts: tuple[Series, ...] = (
            series("Inverter loss", [b.inverter_loss_w for b in balances]),
            series("Motor loss", [b.motor_loss_w for b in balances]),
        )
    else:
        parts = (series("Drive loss", [b.drive_loss_w for b in balances]),)
    total = series("Drive loss", [b.drive_loss_w for b in balances])
    top = max(balances, key=lambda b: b.drive_loss_w.value)
    return LossFigure(
        f"losses-{run_slug(run)}",
        f"Losses by operating point{of_run(run, runs)}",
        f"Stacked bars of {' and '.join(part.name.lower() for part in parts)} for {len(balances)} operating points. "
        f"The greatest drive loss is {top.drive_loss_w.value:.0f} W at {point_name(top.point)}.",
        tuple(point_name(b.point) for b in balances),
        parts,
        total,
    )


def _efficiency_to_halve(run: RunReport) -> Iterable[tuple[str, Estimate, OperatingPoint]]:
    """The greatest drive efficiency of a run, else that of motor or inverter: the headline number."""
    for subject in ("drive", "motor", "inverter"):
        name = f"{subject}_efficiency"
        known = [b for b in kept(run.result.balances) if is_known(getattr(b, name))]
        if known:
            best = max(known, key=lambda b: getattr(b, name).value)
            yield f"{subject} efficiency", getattr(best, name), best.point
            return


def _coefficients_to_halve(run: RunReport) -> Iterable[tuple[str, Estimate, OperatingPoint]]:
    """CT and CP at the greatest thrust."""
    if kept(run.result.thrust):
        top = max(kept(run.result.thrust), key=lambda t: t.thrust_n.value)
        yield "CT", top.ct, top.point
        yield "CP", top.cp, top.point


def halving_block(
    runs: Sequence[RunReport], headlines: Callable[[RunReport], Iterable[tuple[str, Estimate, OperatingPoint]]]
) -> Listing | None:
    """What would halve the uncertainty of each headline number; None where nothing can be said."""
    lines = []
    for run in runs:
        for name, estimate, point in headlines(run):
            words = in_words(what_would_reduce(estimate), sources_of(run.stand, point), estimate)
            if words:
                head = f"To halve the uncertainty of {name}, {point_name(point)}{of_run(run, runs)}"
                lines.append((head, f"{words} (k = 1)"))
    return Listing(tuple(lines)) if lines else None


# ------------------------------------------------------------------------------------------ static thrust
def thrust_section(runs: Sequence[RunReport]) -> Section | None:
    """Thrust and torque against n², the coefficients, and the air they were measured in."""
    if not any(run.result.thrust for run in runs):
        return None
    forces = table_by_run(
        runs,
        "thrust",
        "Thrust and torque",
        (
            POINT,
            Column("speed", "Speed", "rpm"),
            Column("thrust", "Thrust", "N"),
            Column("torque", "Torque", "N·m"),
            Column("thrust_per_watt", "Thrust per shaft power", "N/W"),
            Column("disc_loading", "Disc loading", "N/m²"),
            Column("power_loading", "Power loading", "W/m²"),
            Column("induced_velocity", "Induced velocity", "m/s"),
            Column("tip_mach", "Tip Mach"),
            Column("reynolds", "Re at 75 % R"),
        ),
        lambda run: (_force_row(t) for t in kept(run.result.thrust)),
        note=U95,
    )
    coefficients = table_by_run(
        runs,
        "coefficients",
        "Coefficients, propeller notation",
        (
            POINT,
            Column("ct", "CT"),
            Column("cq", "CQ"),
            Column("cp", "CP"),
            Column("figure_of_merit", "Figure of merit"),
        ),
        lambda run: (_coefficient_row(t) for t in kept(run.result.thrust)),
        note=f"{U95} n in revolutions per second, D the diameter of the nameplate.",
    )
    laws = table_by_run(
        runs,
        "square-laws",
        "Fit against n²",
        (
            Column("quantity", "Quantity"),
            Column("slope", "Slope"),
            Column("points", "Points"),
            Column("test", "Lack-of-fit test"),
            Column("statistic", "Statistic"),
            Column("p_value", "p"),
            Column("verdict", "Verdict"),
        ),
        lambda run: (_law_row(law) for law in run.result.square_laws),
        note=f"{U95} Line through zero, n in revolutions per second, weighted by scatter. F: against replicates; "
        "χ²/ν: against the stated scatter. A small p says that the points leave the line.",
    )
    air = table_by_run(
        runs,
        "air",
        "Air",
        (
            POINT,
            Column("temperature", "Temperature", "°C"),
            Column("pressure", "Pressure", "Pa"),
            Column("humidity", "Relative humidity", "%"),
            Column("density", "Density", "kg/m³"),
        ),
        lambda run: (_air_row(t, run) for t in kept(run.result.thrust)),
        note=f"{U95} Density of moist air from temperature, pressure and humidity.",
    )
    halving = halving_block(runs, _coefficients_to_halve)
    blocks: list[Block | None] = [_force_figure(runs), forces, laws, _coefficient_figure(runs), coefficients, halving]
    blocks += [*thrust_tests_blocks(runs), air, _excluded_thrust(runs)]
    return Section("static-thrust", "Static thrust", tuple(b for b in blocks if b is not None))


def _excluded_thrust(runs: Sequence[RunReport]) -> Block | None:
    """Points that a person excluded: in no table above, no figure and no fit."""
    return table_by_run(
        runs,
        "excluded-thrust",
        "Excluded points",
        (
            POINT,
            Column("speed", "Speed", "rpm"),
            Column("thrust", "Thrust", "N"),
            Column("torque", "Torque", "N·m"),
            Column("ct", "CT"),
            Column("cp", "CP"),
            Column("reason", "Reason"),
            Column("who", "By"),
        ),
        lambda run: (_excluded_row(t) for t in run.result.thrust if t.point.is_excluded),
        note=f"{U95} They stay in the run and are used for nothing above.",
    )


def _excluded_row(t: StaticThrust) -> Row:
    values = (t.speed_rpm, t.thrust_n, t.torque_nm, t.ct, t.cp)
    words = (Text(t.point.excluded_reason), Text(t.point.excluded_by))
    return (Text(point_name(t.point)), *(number(x) for x in values), *words)


def _point_cell(point: OperatingPoint) -> Text:
    return Text(f"{point_name(point)}, excluded", Tone.NOTE) if point.is_excluded else Text(point_name(point))


def _force_row(t: StaticThrust) -> Row:
    return (
        Text(point_name(t.point)),
        number(t.speed_rpm),
        number(t.thrust_n),
        number(t.torque_nm),
        plain(t.thrust_per_watt, "N/W", 4),
        plain(t.disc_loading_nm2, "N/m²", 4),
        plain(t.power_loading_wm2, "W/m²", 4),
        plain(t.induced_velocity_mps, "m/s", 4),
        plain(t.tip_mach, "1", 4),
        plain(t.reynolds_75, "1", 4),
    )


def _law_row(law: SquareLaw) -> Row:
    verdict = Text("not a straight line", Tone.NOTE) if law.is_curved else Text("straight line")
    return (
        Text(law.quantity.capitalize()),
        number(law.slope),
        count(law.points),
        Text("F" if law.test == "F" else "χ²/ν"),
        plain(law.statistic, "1", 3),
        plain(law.p_value, "1", 2),
        verdict,
    )


def _coefficient_row(t: StaticThrust) -> Row:
    return (Text(point_name(t.point)), number(t.ct), number(t.cq), number(t.cp), number(t.figure_of_merit))


def _air_row(t: StaticThrust, run: RunReport) -> Row:
    def mean(role: Role, *, in_percent: bool = False) -> Cell:
        channel = run.stand.channel_for(role)
        estimate = None if channel is None else t.point.means.get(channel.name)
        return Text("not measured") if estimate is None else number(estimate, in_percent=in_percent)

    return (
        Text(point_name(t.point)),
        mean(Role.AIR_TEMP),
        mean(Role.AIR_PRESSURE),
        mean(Role.AIR_HUMIDITY, in_percent=True),
        number(t.density_kgm3),
    )


def _turns_squared(estimates: Sequence[Estimate]) -> Series:
    """n² in 1/s² with u(n²) = 2 n u(n)."""
    turns = [(e.value / 60.0, e.u / 60.0) for e in estimates]
    return Series("n²", "1/s²", tuple(n * n for n, _ in turns), tuple(2.0 * n * u for n, u in turns))


def _force_figure(runs: Sequence[RunReport]) -> CloudFigure:
    with_thrust = [run for run in runs if kept(run.result.thrust)]

    def cloud(run: RunReport, name: str, of: Callable[[StaticThrust], Estimate]) -> Cloud:
        label = f"run {run.label}" if len(runs) > 1 else "measured"
        used = kept(run.result.thrust)
        return Cloud(label, _turns_squared([t.speed_rpm for t in used]), series(name, [of(t) for t in used]))

    def panel(title: str, y_label: str, of: Callable[[StaticThrust], Estimate]) -> CloudPanel:
        clouds = tuple(cloud(run, title.lower(), of) for run in with_thrust)
        return CloudPanel(title, "n² / (1/s²)", y_label, clouds, True)

    return CloudFigure(
        "thrust-figure",
        "Thrust and torque against n²",
        "Static thrust and shaft torque against the square of the speed in revolutions per second, with 95 % error "
        "bars and the straight line through zero that fits best. Points off the line mean coefficients that change "
        "with speed.",
        (
            panel("Thrust", "Thrust / N", lambda t: t.thrust_n),
            panel("Torque", "Torque / N·m", lambda t: t.torque_nm),
        ),
    )


def _coefficient_figure(runs: Sequence[RunReport]) -> CloudFigure:
    with_thrust = [run for run in runs if kept(run.result.thrust)]

    def panel(title: str, name: str) -> CloudPanel:
        return CloudPanel(
            title,
            "Speed / rpm",
            title,
            tuple(
                Cloud(
                    f"run {run.label}" if len(runs) > 1 else "measured",
                    series("speed", [t.speed_rpm for t in kept(run.result.thrust)]),
                    series(name, [getattr(t, name) for t in kept(run.result.thrust)]),
                )
                for run in with_thrust
            ),
        )

    return CloudFigure(
        "coefficient-figure",
        "Coefficients over speed",
        "Thrust coefficient, power coefficient and figure of merit over speed, with 95 % error bars.",
        (panel("CT", "ct"), panel("CP", "cp"), panel("Figure of merit", "figure_of_merit")),
    )
