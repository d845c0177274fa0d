"""Metrics in words: their names, and the units in which they are shown."""

from __future__ import annotations

from dataclasses import replace

from benchkit.model.metrics import Metric
from benchkit.report.model import Number

TITLES = {
    "current_thd": "Current, THD",
    "current_ripple_rms": "Current ripple, RMS",
    "current_ripple_peak_to_peak": "Current ripple, peak to peak",
    "electrical_frequency": "Electrical frequency",
    "dc_ripple_rms": "DC link ripple, RMS",
    "dc_ripple_peak_to_peak": "DC link ripple, peak to peak",
    "regeneration_peak": "Rise of the DC link after the trigger",
    "torque_ripple": "Torque ripple, RMS over mean",
    "switching_frequency": "Switching frequency",
    "dead_time": "Dead time, mean",
    "inverter_loss": "Inverter loss, mean of the points",
    "motor_loss": "Motor loss, mean of the points",
    "system_loss": "Loss of both, mean of the points",
    "temperature_rise_per_watt": "Temperature rise per watt",
    "time_to_limit": "Time to the limit",
    "start_reliability": "Starts that succeeded",
    "fault_reaction": "Stops answered at once",
    "trips_per_hour": "Trips an hour",
    "cautions_per_hour": "Cautions an hour",
}
IN_MICROSECONDS = ("dead_time",)
IN_PERCENT = ("current_thd", "torque_ripple", "start_reliability", "fault_reaction")


def title_of(name: str) -> str:
    """Name of a metric in words."""
    if name in TITLES:
        return TITLES[name]
    head, _, order = name.rpartition("_order_")
    if head == "torque_ripple":
        return f"Torque ripple, order {order} of the shaft"
    words = name.replace("_", " ")
    return words[:1].upper() + words[1:]


def shown(metric: Metric) -> Number:
    """A metric as a number of the report."""
    return in_shown_units(metric.name, Number(metric.value, metric.unit, metric.u, bounds=metric.interval95))


def in_shown_units(name: str, number: Number) -> Number:
    """A number of the metric ``name`` in the unit in which that is shown."""
    if name in IN_PERCENT:
        return replace(number, in_percent=True)
    if name not in IN_MICROSECONDS:
        return number
    bounds = number.bounds and (1e6 * number.bounds[0], 1e6 * number.bounds[1])
    u = None if number.u is None else 1e6 * number.u
    return replace(number, value=1e6 * number.value, u=u, unit="µs", bounds=bounds)
