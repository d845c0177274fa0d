"""Efficiency maps, what they rest on, a duty over them, and thrust per electrical watt."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchkit.model.results import Contribution, Estimate, PowerBalance
from benchkit.model.results_maps import BestPoint, DutyResult, EfficiencyMap, Hysteresis, LackOfFit, PropulsiveCurve
from benchkit.report.model import (
    Block,
    Cell,
    Cloud,
    CloudFigure,
    CloudPanel,
    Column,
    Grid,
    MapFigure,
    Number,
    RunReport,
    Section,
    Series,
    Table,
    Text,
    Tone,
    count,
    number,
    plain,
    series,
)
from benchkit.report.rows import is_known, of_run, run_slug, table_by_run

Row = tuple[Cell, ...]
U95 = "Values are value ± U, U the half-width of the 95 % interval."
SIGNIFICANT = 0.05
"""Below this p-value a test says that there is something."""


# ------------------------------------------------------------------------------------------ efficiency map
def map_section(runs: Sequence[RunReport]) -> Section | None:
    """Fitted maps with the measured points on top, what they rest on, and a duty over them."""
    if not any(run.result.maps for run in runs):
        return None
    blocks: list[Block | None] = [_map_figure(found, run, runs) for run in runs for found in run.result.maps]
    blocks += [_best_table(runs), _trust_table(runs), *_duty_tables(runs), *_model_tables(runs)]
    return Section("efficiency-map", "Efficiency map", tuple(b for b in blocks if b is not None))


def _best_table(runs: Sequence[RunReport]) -> Table | None:
    def rows(run: RunReport) -> Iterable[Row]:
        for found in run.result.maps:
            best = BestPoint(found.best_speed_rpm, found.best_torque_nm, found.best_efficiency)
            for point in (best, found.best_generating):
                if point is None:
                    continue
                flow = "motoring" if point.speed_rpm * point.torque_nm > 0.0 else "generating"
                largest = next((line for line in point.efficiency.budget if line.u > 0.0), None)
                yield (
                    Text(found.subject),
                    Text(flow),
                    plain(point.speed_rpm, "rpm", 4),
                    plain(point.torque_nm, "N·m", 4),
                    number(point.efficiency, in_percent=True),
                    Text("not stated" if largest is None else largest.name),
                )

    return table_by_run(
        runs,
        "map-best",
        "Best points",
        (
            Column("subject", "Map"),
            Column("flow", "Power"),
            Column("speed", "Speed", "rpm"),
            Column("torque", "Torque", "N·m"),
            Column("efficiency", "Efficiency", "%"),
            Column("largest", "Largest part of U"),
        ),
        rows,
        note=f"{U95} The interval is that of the efficiency at this node; a flat top leaves the place itself open.",
    )


def _trust_table(runs: Sequence[RunReport]) -> Table | None:
    def rows(run: RunReport) -> Iterable[Row]:
        for found in run.result.maps:
            fit, side = found.lack_of_fit, found.hysteresis
            if fit is not None and side is not None:
                yield (
                    Text(found.subject),
                    _fit_verdict(fit),
                    plain(fit.p_value, "1", 2) if math.isfinite(fit.p_value) else Text("not tested"),
                    plain(fit.beyond_model_w, "W", 3),
                    _side_verdict(side),
                    Text("not tested") if side.difference_w is None else number(side.difference_w),
                    plain(side.p_value, "1", 2) if math.isfinite(side.p_value) else Text("not tested"),
                )

    return table_by_run(
        runs,
        "map-trust",
        "What the maps rest on",
        (
            Column("subject", "Map"),
            Column("terms", "Loss terms"),
            Column("p_fit", "p"),
            Column("beyond", "Added by the smooth surface, RMS", "W"),
            Column("approach", "Approach"),
            Column("difference", "From above less from below", "W"),
            Column("p_side", "p"),
        ),
        rows,
        note="p below 0.05 under the terms: they do not describe the points to within their scatter, or the points "
        "repeat worse than they scatter; the smooth surface carries the rest, and the uncertainty counts it. Under the "
        "approach: the loss depends on the side from which the torque came (a warm winding, or hysteresis of the "
        "torque measurement).",
    )


def _fit_verdict(fit: LackOfFit) -> Text:
    if fit.method == "not tested":
        return Text("not tested: no scatter of the points is known", Tone.NOTE)
    against = "repeated points" if fit.method == "replicates" else "the scatter of the means"
    if fit.p_value < SIGNIFICANT:
        return Text(f"do not suffice, against {against}", Tone.CAUTION)
    return Text(f"suffice, against {against}")


def _side_verdict(side: Hysteresis) -> Text:
    if side.method == "not tested":
        return Text(f"not tested: {side.reason}", Tone.NOTE)
    how = "by pairs" if side.method == "pairs" else f"{side.from_below} from below, {side.from_above} from above"
    if side.p_value < SIGNIFICANT:
        return Text(f"matters ({how})", Tone.CAUTION)
    return Text(f"no difference shown ({how})")


# ------------------------------------------------------------------------------------------------------ duty
def _duty_tables(runs: Sequence[RunReport]) -> list[Table | None]:
    sums = table_by_run(
        runs,
        "duty",
        "Duty",
        (
            Column("subject", "Map"),
            Column("covered", "Time inside the map", "%"),
            Column("energy_in", "Energy in", "kJ"),
            Column("energy_out", "Energy out", "kJ"),
            Column("energy_loss", "Loss", "kJ"),
            Column("efficiency", "Weighted efficiency", "%"),
        ),
        lambda run: (_duty_row(duty) for duty in run.result.duties),
        note=f"{U95} Energies hold the loads inside the map alone. While generating the shaft is the input.",
    )
    loads = table_by_run(
        runs,
        "duty-loads",
        "Loads of the duty",
        (
            Column("subject", "Map"),
            Column("speed", "Speed", "rpm"),
            Column("torque", "Torque", "N·m"),
            Column("time", "Time", "s"),
            Column("loss", "Loss", "W"),
        ),
        lambda run: (row for duty in run.result.duties for row in _load_rows(duty)),
        note=U95,
    )
    return [sums, loads]


def _duty_row(duty: DutyResult) -> Row:
    energies = (duty.energy_in_j, duty.energy_out_j, duty.energy_loss_j)
    return (
        Text(duty.subject),
        plain(100.0 * duty.covered, "%", 3),
        *(number(_in_kilo(energy)) for energy in energies),
        number(duty.weighted_efficiency, in_percent=True),
    )


def _in_kilo(energy: Estimate) -> Estimate:
    budget = tuple(Contribution(line.name, line.u / 1000.0) for line in energy.budget)
    return Estimate(energy.value / 1000.0, energy.u / 1000.0, f"k{energy.unit}", energy.dof, budget)


def _load_rows(duty: DutyResult) -> Iterable[Row]:
    for load in duty.points:
        yield (
            Text(duty.subject),
            plain(load.speed_rpm, "rpm"),
            plain(load.torque_nm, "N·m"),
            plain(load.time_s, "s"),
            Text("refused: outside the measured points", Tone.CAUTION) if load.loss_w is None else number(load.loss_w),
        )


# ------------------------------------------------------------------------------------------------- loss models
def _model_tables(runs: Sequence[RunReport]) -> list[Table | None]:
    fits = table_by_run(
        runs,
        "loss-models",
        "Loss models behind the maps",
        (
            Column("subject", "Map"),
            Column("terms", "Terms"),
            Column("points", "Points"),
            Column("dof", "Degrees of freedom"),
            Column("residual", "Residual, RMS", "W"),
            Column("left_out", "Error at points left out, RMS", "W"),
            Column("chi2", "χ² per degree of freedom"),
        ),
        lambda run: (_fit_row(found) for found in run.result.maps),
        note="Loss = sum of coefficient × term, weighted least squares; n and T are scaled as the next table says. The "
        "terms are those that predict points left out of the fit best. χ² per degree of freedom near 1: the model "
        "explains the points within their scatter.",
    )
    coefficients = table_by_run(
        runs,
        "loss-coefficients",
        "Coefficients",
        (
            Column("subject", "Map"),
            Column("term", "Term"),
            Column("coefficient", "Coefficient", "W"),
            Column("speed_scale", "Speed scale", "rpm"),
            Column("torque_scale", "Torque scale", "N·m"),
        ),
        lambda run: (row for found in run.result.maps for row in _coefficient_rows(found)),
        note=f"{U95} From the scatter of the points alone.",
    )
    return [fits, coefficients]


def efficiency_of(balance: PowerBalance, subject: str) -> Estimate:
    """Efficiency of drive, inverter or motor at one point."""
    by_subject = {
        "drive": balance.drive_efficiency,
        "inverter": balance.inverter_efficiency,
        "motor": balance.motor_efficiency,
    }
    return by_subject[subject]


def _map_figure(found: EfficiencyMap, run: RunReport, runs: Sequence[RunReport]) -> MapFigure:
    measured = [b for b in run.result.balances if is_known(efficiency_of(b, found.subject))]
    best, way = found.best_efficiency, found.best_generating
    generating = ""
    if way is not None:
        at = f"{way.speed_rpm:.0f} rpm and {way.torque_nm:.1f} N·m"
        generating = f" Best generating: {100 * way.efficiency.value:.2f} % at {at}."
    return MapFigure(
        f"map-{found.subject}-{run_slug(run)}",
        f"{found.subject.capitalize()} efficiency map{of_run(run, runs)}",
        f"Contours of {found.subject} efficiency over speed and torque from a fitted loss, inside the hull of "
        f"{len(measured)} measured points, and its 95 % half-width beside. Best: {100 * best.value:.2f} % at "
        f"{found.best_speed_rpm:.0f} rpm and {found.best_torque_nm:.1f} N·m.{generating}",
        Series("speed", "rpm", found.speed_rpm),
        Series("torque", "N·m", found.torque_nm),
        Grid(f"{found.subject.capitalize()} efficiency", "1", found.efficiency, found.u_efficiency),
        Series("hull speed", "rpm", tuple(x for x, _ in found.hull)),
        Series("hull torque", "N·m", tuple(y for _, y in found.hull)),
        series("speed of points", [b.speed_rpm for b in measured]),
        series("torque of points", [b.torque_nm for b in measured]),
        series("efficiency of points", [efficiency_of(b, found.subject) for b in measured]),
        plain(found.best_speed_rpm, "rpm"),
        plain(found.best_torque_nm, "N·m"),
        number(best, in_percent=True),
    )


def _fit_row(found: EfficiencyMap) -> Row:
    model = found.model
    return (
        Text(found.subject),
        Text(", ".join(model.terms)),
        count(len(found.point_loss_w)),
        count(model.dof),
        plain(model.residual_rms_w, "W", 3),
        plain(model.cross_validated_rms_w, "W", 3),
        plain(model.chi2_per_dof, "1", 3),
    )


def _coefficient_rows(found: EfficiencyMap) -> Iterable[Row]:
    model = found.model
    for i, (term, coefficient) in enumerate(zip(model.terms, model.coefficients, strict=True)):
        u = math.sqrt(max(model.covariance[i][i], 0.0))
        yield (
            Text(found.subject),
            Text(term),
            Number(coefficient, "W", u, float(model.dof)),
            plain(model.speed_scale_rpm, "rpm"),
            plain(model.torque_scale_nm, "N·m"),
        )


# --------------------------------------------------------------------------------------- thrust per electrical watt
def propulsion_section(runs: Sequence[RunReport]) -> Section | None:
    """Thrust per electrical watt over speed, with the curve between the points."""
    if not any(run.result.propulsion for run in runs):
        return None
    table = table_by_run(
        runs,
        "propulsion",
        "Thrust per electrical power",
        (
            Column("speed", "Speed", "rpm"),
            Column("thrust_per_watt", "Thrust per DC power", "N/W"),
            Column("merit", "Ideal over DC power", "%"),
        ),
        lambda run: (row for curve in run.result.propulsion for row in _propulsion_rows(curve)),
        note=f"{U95} Static thrust over the power of the DC link: it has a unit and is no efficiency. Ideal power is "
        "that of the momentum theory for this thrust and disc: figure of merit times efficiency of the drive.",
    )
    between = table_by_run(
        runs,
        "propulsion-curve",
        "Thrust per electrical power between the points",
        (Column("speed", "Speed", "rpm"), Column("thrust_per_watt", "Thrust per DC power", "N/W")),
        lambda run: (row for curve in run.result.propulsion for row in _curve_rows(curve)),
        note=f"{U95} A smooth curve through the points, within the measured speeds.",
    )
    blocks: tuple[Block | None, ...] = (_propulsion_figure(runs), table, between)
    return Section("propulsion", "Powertrain to thrust", tuple(block for block in blocks if block is not None))


def _propulsion_rows(curve: PropulsiveCurve) -> Iterable[Row]:
    for speed, thrust, merit in zip(
        curve.point_speed_rpm, curve.point_thrust_per_electrical_watt, curve.point_overall_merit, strict=True
    ):
        yield plain(speed, "rpm"), number(thrust), number(merit, in_percent=True)


def _curve_rows(curve: PropulsiveCurve) -> Iterable[Row]:
    """Every eighth node."""
    nodes = zip(curve.speed_rpm, curve.thrust_per_electrical_watt, curve.u_thrust_per_electrical_watt, strict=True)
    for speed, value, u in list(nodes)[::8]:
        yield plain(speed, "rpm", 4), Number(value, "N/W", u)


def _propulsion_figure(runs: Sequence[RunReport]) -> CloudFigure:
    curves = [(run, curve) for run in runs for curve in run.result.propulsion]

    def cloud(run: RunReport, curve: PropulsiveCurve, name: str, values: Sequence[Estimate]) -> Cloud:
        label = f"run {run.label}" if len(runs) > 1 else "measured"
        return Cloud(label, Series("speed", "rpm", curve.point_speed_rpm), series(name, values))

    return CloudFigure(
        "propulsion-figure",
        "Thrust per electrical power over speed",
        "Static thrust by DC power, and ideal by DC power, over speed with 95 % error bars.",
        (
            CloudPanel(
                "Thrust per DC power",
                "Speed / rpm",
                "N/W",
                tuple(cloud(r, c, "thrust per DC power", c.point_thrust_per_electrical_watt) for r, c in curves),
            ),
            CloudPanel(
                "Ideal over DC power",
                "Speed / rpm",
                "Ratio",
                tuple(cloud(r, c, "ideal over DC power", c.point_overall_merit) for r, c in curves),
            ),
        ),
    )
