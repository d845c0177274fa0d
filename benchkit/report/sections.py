"""Runs -> report: which sections there are, in their order. A section without data is not there."""

from __future__ import annotations

from collections.abc import Sequence

from benchkit import __version__
from benchkit.report.flags import started_text
from benchkit.report.model import Coverage, ReportModel, RunReport, Section
from benchkit.report.sections_bursts import bursts_section
from benchkit.report.sections_endurance import endurance_section
from benchkit.report.sections_evidence import (
    calibrations_section,
    content_section,
    coverage_section,
    methods_section,
    quality_section,
)
from benchkit.report.sections_heat import calorimetry_section
from benchkit.report.sections_maps import map_section, propulsion_section
from benchkit.report.sections_motor import motor_section
from benchkit.report.sections_plan import plan_section
from benchkit.report.sections_protection import alarms_section, events_section, limits_section, trips_section
from benchkit.report.sections_results import power_section, thrust_section
from benchkit.report.sections_run import cautions_section, header_section, summary_section
from benchkit.report.sections_steady import steady_section
from benchkit.report.sections_thermal import thermal_section
from benchkit.report.sections_thrust_tests import propellers_section


def build_report(runs: Sequence[RunReport], coverage: Coverage | None = None) -> ReportModel:
    """The report on one or more runs. Same runs, same report."""
    runs = tuple(runs)
    sections: list[Section | None] = [
        summary_section(runs),
        cautions_section(),
        header_section(runs),
        plan_section(runs),
        steady_section(runs),
        power_section(runs),
        calorimetry_section(runs),
        map_section(runs),
        motor_section(runs),
        thrust_section(runs),
        propellers_section(runs),
        propulsion_section(runs),
        thermal_section(runs),
        endurance_section(runs),
        bursts_section(runs),
        limits_section(runs),
        trips_section(runs),
        alarms_section(runs),
        quality_section(runs),
        coverage_section(coverage),
        calibrations_section(runs),
        events_section(runs),
        methods_section(runs, coverage),
        content_section(runs),
    ]
    stands = list(dict.fromkeys(run.stand.title for run in runs))
    return ReportModel(
        title=f"Bench report: {', '.join(stands)}",
        subtitle="; ".join(_line(run, len(runs) > 1) for run in runs),
        software_version=__version__,
        simulated=tuple(_simulated_line(run, len(runs) > 1) for run in runs if run.header.simulated),
        runs=runs,
        sections=tuple(section for section in sections if section is not None),
        coverage=coverage,
    )


def _line(run: RunReport, several: bool) -> str:
    name = f"Run {run.label}: {run.header.run_id}" if several else f"Run {run.header.run_id}"
    return f"{name}, started {started_text(run.header)}"


def _simulated_line(run: RunReport, several: bool) -> str:
    of = f" of run {run.label}" if several else ""
    seed = "no seed recorded" if run.header.seed is None else f"seed {run.header.seed}"
    return (
        f"SIMULATED DATA. The samples{of} come from the simulated stand ({seed}, time factor "
        f"{run.header.time_factor:g}). They say nothing about a real machine."
    )
