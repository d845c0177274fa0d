"""What is wrong, or odd, with the data of a run: open flags with their evidence. Nothing is mended here.

One module a topic; a check is a plain function and one line in a table: those of single streams in
:data:`~benchkit.analysis.quality.rows.STREAM_CHECKS`, those that need events, rests or results in
:data:`~benchkit.analysis.quality.run.CHECKS`. What each code means, its usual cause and what to do next stand in
:data:`~benchkit.analysis.quality.words.DETECTORS`.
"""

from __future__ import annotations

from benchkit.analysis.quality.calibrations import (
    check_calibrations,
    firmware_of_runs,
    identity_change,
    identity_of,
)
from benchkit.analysis.quality.devices import Movement, device_offsets
from benchkit.analysis.quality.results import (
    check_acceleration,
    check_air,
    check_balance,
    check_table,
    check_thrust,
    fill_values,
)
from benchkit.analysis.quality.row_facts import RowGathering
from benchkit.analysis.quality.rows import (
    RANGE_MARGIN,
    check_frozen,
    check_gaps,
    check_missing,
    check_stream,
    check_time,
)
from benchkit.analysis.quality.run import check_results, check_run, looked_at
from benchkit.analysis.quality.words import DETECTORS, Detector

__all__ = [
    "DETECTORS",
    "RANGE_MARGIN",
    "Detector",
    "Movement",
    "RowGathering",
    "check_acceleration",
    "check_air",
    "check_balance",
    "check_calibrations",
    "check_frozen",
    "check_gaps",
    "check_missing",
    "check_results",
    "check_run",
    "check_stream",
    "check_table",
    "check_thrust",
    "check_time",
    "device_offsets",
    "fill_values",
    "firmware_of_runs",
    "identity_change",
    "identity_of",
    "looked_at",
]
