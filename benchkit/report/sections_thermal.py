"""Thermal results: temperatures with fitted curves and limits, heating fits, continuous rating."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from benchkit.analysis.thermal import first_order
from benchkit.analysis.uncertainty import propagate
from benchkit.model.results import ContinuousRating, Estimate, HeatingFit
from benchkit.report.model import (
    Block,
    Cell,
    Column,
    Level,
    Panel,
    RunReport,
    Section,
    Series,
    Text,
    Tone,
    Trace,
    TraceFigure,
    number,
    plain,
)
from benchkit.report.overview import as_trace, is_drawable, limit_levels, trip_marks
from benchkit.report.rows import is_known, listed, of_run, run_slug, table_by_run
from benchkit.report.sections_networks import network_blocks
from benchkit.report.sections_results import U95

Row = tuple[Cell, ...]
CURVE_POINTS = 120
STEADY_WITHIN_K = 1.0


def thermal_section(runs: Sequence[RunReport]) -> Section | None:
    """Temperatures over time with the fitted curves, the fits, and what may be held for ever."""
    figures: list[Block] = [figure for run in runs if (figure := _figure(run, runs)) is not None]
    fits = table_by_run(
        runs,
        "heating",
        "First-order heating",
        (
            Column("channel", "Temperature"),
            Column("start", "At the start", "°C"),
            Column("final", "In the end", "°C"),
            Column("tau", "Time constant", "s"),
            Column("fast_tau", "Second, faster", "s"),
            Column("reference", "Coolant or air", "°C"),
            Column("to_steady", f"Time to within {STEADY_WITHIN_K:g} K of the end", "s"),
            Column("residual", "Residual, RMS", "K"),
            Column("covered", "Followed for, time constants"),
        ),
        lambda run: (_fit_row(fit, run) for fit in run.result.heating),
        note=f"{U95} T(t) = T_end − (T_end − T_start) exp(−t/τ) over one steady load. Below about 1.5 time constants "
        "the end is extrapolated.",
    )
    ratings = table_by_run(
        runs,
        "ratings",
        "Continuous rating",
        (
            Column("channel", "Limited by"),
            Column("limit", "Limit", "°C"),
            Column("speed", "Speed", "rpm"),
            Column("reference", "Coolant or air", "°C"),
            Column("torque", "Torque", "N·m"),
            Column("current", "Current", "A"),
            Column("shaft_power", "Shaft power", "W"),
            Column("basis", "Basis"),
        ),
        lambda run: (_rating_row(rating, run) for rating in run.result.ratings),
        note=f"{U95} Loss taken as proportional to torque² at that speed.",
    )
    networks = network_blocks(runs)
    if fits is None and ratings is None and not figures and not networks:
        return None
    blocks = (*figures, fits, ratings, *networks)
    return Section("thermal", "Thermal", tuple(b for b in blocks if b is not None))


def time_to_steady(fit: HeatingFit, within_k: float = STEADY_WITHIN_K) -> Estimate:
    """Time from the start of the load until the fitted curve is within ``within_k`` of its end.

    ``t = tau ln(|T_inf - T_start| / within)``; 0 where it starts there. With two time constants the slow one counts,
    with its part of the rise (with all of it where the parts are not known: the time is then too long, never too
    short). The three inputs are taken as independent.
    """

    def seconds(tau_s: float, final_c: float, start_c: float) -> float:
        rise = abs(final_c - start_c - (fit.fast_rise_k or 0.0))
        return tau_s * math.log(rise / within_k) if rise > within_k else 0.0

    names = ("time constant", "end", "start")
    return propagate(seconds, (fit.tau_s, fit.final_c, fit.start_c), names=names, unit="s")


def _label(run: RunReport, channel: str) -> str:
    return run.stand.channels[channel].label if channel in run.stand.channels else channel


def _fit_row(fit: HeatingFit, run: RunReport) -> Row:
    return (
        Text(_label(run, fit.channel)),
        number(fit.start_c),
        number(fit.final_c),
        number(fit.tau_s),
        Text("none shown") if fit.fast_tau_s is None else number(fit.fast_tau_s),
        plain(fit.reference_c, "°C", 4),
        number(time_to_steady(fit)),
        plain(fit.residual_rms_k, "K", 3),
        plain(fit.covered, "1", 3),
    )


def _rating_row(rating: ContinuousRating, run: RunReport) -> Row:
    outside = Text("extrapolated", Tone.CAUTION)
    return (
        Text(_label(run, rating.channel)),
        plain(rating.limit_c, "°C"),
        plain(rating.speed_rpm, "rpm", 5),
        plain(rating.reference_c, "°C", 4),
        number(rating.torque_nm),
        number(rating.current_a),
        number(rating.shaft_power_w),
        outside if rating.is_extrapolated else Text("within the tested loss"),
    )


def _figure(run: RunReport, runs: Sequence[RunReport]) -> TraceFigure | None:
    temperatures = [trace for trace in run.traces if trace.unit == "°C" and is_drawable(trace)]
    if not temperatures:
        return None
    fits = tuple(_fitted_curve(fit, run) for fit in run.result.heating if _has_curve(fit))
    levels = tuple(level for trace in temperatures for level in _trip_levels(run, trace.channel))
    fitted = f" Dashed: {len(fits)} fitted curve{'s' if len(fits) != 1 else ''}." if fits else ""
    return TraceFigure(
        f"thermal-{run_slug(run)}",
        f"Temperatures{of_run(run, runs)}",
        f"{listed([trace.label for trace in temperatures])} over time.{fitted} Red, long dashes: trip limits.",
        (Panel("Temperature", "°C", (*(as_trace(trace) for trace in temperatures), *fits), levels),),
        (),
        trip_marks(run),
    )


def _trip_levels(run: RunReport, channel: str) -> Iterable[Level]:
    """Trip limits alone: cautions would crowd the figure, the table of limits has them."""
    return (level for level in limit_levels(run.stand, channel) if level.is_trip)


def _has_curve(fit: HeatingFit) -> bool:
    """False where the parts of two exponentials are not known: one exponential would be a wrong picture."""
    return is_known(fit.tau_s) and (fit.fast_tau_s is None or fit.fast_rise_k is not None)


def _fitted_curve(fit: HeatingFit, run: RunReport) -> Trace:
    times = np.linspace(0.0, fit.time_end_s - fit.time_start_s, CURVE_POINTS)
    fast_k = fit.fast_rise_k or 0.0
    curve = first_order(times, fit.start_c.value + fast_k, fit.final_c.value, fit.tau_s.value)
    if fit.fast_tau_s is not None:
        curve = curve + first_order(times, -fast_k, 0.0, fit.fast_tau_s.value)
    return Trace(
        f"fit: {_label(run, fit.channel)}",
        Series("time", "s", tuple(map(float, fit.time_start_s + times))),
        Series(fit.channel, "°C", tuple(map(float, curve))),
        is_fit=True,
    )
