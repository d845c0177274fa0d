"""Run files -> what a comparison needs of them. Maps, heating and checks of the whole run are left out: it is quick."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import islice
from pathlib import Path

from benchkit.analysis.compare.data import RunData
from benchkit.errors import UsageError
from benchkit.model.events import Event
from benchkit.model.metrics import Metric
from benchkit.model.results import RunResult
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream
from benchkit.report.bursts import MEASURED
from benchkit.report.model import RunReport, SourceDigest
from benchkit.runfile.reader import Run


def gather_run(path: Path, label: str) -> tuple[RunData, RunReport]:
    """Points, zeros and stand of one run file, and its head for the report.

    Raises:
        RunFileError: the file is damaged or foreign.
        UsageError: no stream of it measures the loss of the drive.
    """
    from benchkit.analysis.compare.data import rest_zeros, run_data
    from benchkit.analysis.exclude import mark_excluded
    from benchkit.analysis.heat_runs import heat_runs
    from benchkit.analysis.pipeline import BREAKING
    from benchkit.analysis.power import power_balance
    from benchkit.analysis.signals.run_metrics import event_metrics, loss_metrics, thermal_metrics
    from benchkit.analysis.steady import operating_points
    from benchkit.profiles import stand_from_json
    from benchkit.runfile.reader import open_run

    with open_run(path) as run:
        header, events = run.header, tuple(run.events())
        stand = stand_from_json(header.profile_json)
        source = _source_of_loss(stand, run.sources, path)
        stream = run.stream(source)
        breaks = [stream.time_at(event.time_s) for event in events if event.kind in BREAKING] if len(stream) else []
        points = mark_excluded(operating_points(stand, stream, breaks), stream, events)
        balances = tuple(power_balance(stand, point) for point in points)
        started = datetime.fromisoformat(header.started_utc).timestamp()
        heating, ratings, _ = heat_runs(stand, stream, breaks)
        result = RunResult(points, balances, (), (), heating, ratings, ())
        metrics = (
            *loss_metrics(result),
            *thermal_metrics(result, stand),
            *_steps(stand, stream, events),
            *_of_bursts(run, stand),
            *event_metrics(events, events[-1].time_s if events else 0.0, header.time_factor),
        )
        data = run_data(
            label,
            stand,
            header.software_version,
            started,
            balances,
            rest_zeros(stand, stream, started, header.time_factor),
            # points go by where they were measured, which is never the same twice: of these the map speaks
            metrics=[metric for metric in metrics if not metric.note.startswith("point ")],
            time_factor=header.time_factor,
        )
        duration_s = float(stream.time_s[-1] - stream.time_s[0]) if len(stream) else 0.0
        digest = (SourceDigest(source, len(stream), duration_s, 0, 0, None),)
        report = RunReport(
            label, path.name, header, stand, result, events, (), (), digest, run.content_sha256, run.is_closed
        )
    return data, report


def _steps(stand: Stand, stream: Stream, events: Sequence[Event]) -> tuple[Metric, ...]:
    """Step responses of the run, averaged over its steps."""
    from benchkit.analysis.signals.run_metrics import averaged
    from benchkit.analysis.signals.run_steps import step_responses

    groups: dict[str, list[Metric]] = {}
    for metric in step_responses(stand, stream, events):
        # amplitudes go up and down: their mean says nothing; what is before a step is noise
        if not metric.name.endswith(("_amplitude", "_undershoot")):
            groups.setdefault(metric.name, []).append(replace(metric, region=""))
    return tuple(averaged(group) for group in groups.values())


def _of_bursts(run: Run, stand: Stand) -> tuple[Metric, ...]:
    """Metrics of the first bursts of a run, as many as a report measures."""
    from benchkit.analysis.signals.burst_metrics import burst_metrics
    from benchkit.analysis.signals.run_metrics import burst_means

    if not sum(run.burst_counts().values()):
        return ()
    found = []
    for burst in islice(run.bursts(), MEASURED):
        source = stand.bursts.get(burst.source)
        u_rate = source.u_rate if source is not None else 0.0
        metrics = burst_metrics(burst, pole_pairs=stand.motor.pole_pairs, u_rate=u_rate)
        found.append((burst.source, burst.record.reason, metrics))
    return burst_means(found)


def _source_of_loss(stand: Stand, sources: Sequence[str], path: Path) -> str:
    needed = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.TORQUE)
    channels = [stand.channel_for(role) for role in needed]
    missing = [str(role) for role, channel in zip(needed, channels, strict=True) if channel is None]
    if not missing:
        names = {channel.source for channel in channels if channel is not None}
        if len(names) == 1 and (name := names.pop()) in sources:
            return name
    raise UsageError(
        "the run does not measure the loss of the drive in one stream",
        where=path.name,
        got=f"no {', '.join(missing)}" if missing else "roles in several streams",
        expected="dc_voltage, dc_current, speed and torque of one source",
    )


def gather_sides(
    a: Sequence[Path], b: Sequence[Path], progress: Callable[[str], None] | None = None
) -> tuple[list[RunData], list[RunData], list[RunReport]]:
    """Both sides of a comparison, labelled A1, A2 … and B1, B2 … in the order given.

    Raises:
        UsageError: an empty side, or a file that is named twice.
        RunFileError: a file that cannot be read.
    """
    if not a or not b:
        raise UsageError("a comparison needs runs on both sides", remedy="Name them: compare A1 A2 --against B1 B2.")
    paths = [*a, *b]
    resolved = [path.resolve() for path in paths]
    for path, real in zip(paths, resolved, strict=True):
        if resolved.count(real) > 1:
            raise UsageError("the same run is given twice", where=path.name, remedy="Name each run once.")
    sides: tuple[list[RunData], list[RunData]] = ([], [])
    reports = []
    for index, path in enumerate(paths):
        side = int(index >= len(a))
        if progress is not None:
            progress(f"reading {index + 1} of {len(paths)}: {path.name}")
        data, report = gather_run(path, f"{'AB'[side]}{len(sides[side]) + 1}")
        sides[side].append(data)
        reports.append(report)
    return sides[0], sides[1], reports
