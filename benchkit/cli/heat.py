"""What ``heat`` does: the running prediction of the end of a heat run, live or from a closed run."""

from __future__ import annotations

import json
from argparse import Namespace
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.extrapolate import is_steady, predict_steady
from benchkit.analysis.thermal.profile_model import section
from benchkit.analysis.thermal_runs import heat_run, live_model_of
from benchkit.analysis.uncertainty import interval
from benchkit.cli.asking import find_live_file
from benchkit.cli.common import plain
from benchkit.errors import UsageError
from benchkit.model.results import Settled
from benchkit.model.stand import Stand
from benchkit.profiles import stand_from_json
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient, read_live_file
from benchkit.session.messages import LiveRows, Status

FloatArray = npt.NDArray[np.float64]
SILENT_S = 10.0
"""A recorder that has said nothing for so long is taken for ended."""
LEAST_ROWS = 30
PIECE_S = 10.0
"""Pieces in which a closed run is played."""


class SecondMeans:
    """Rows folded into means of whole seconds of sample time, however they are cut."""

    def __init__(self) -> None:
        self.time_s: list[float] = []
        self.means: list[FloatArray] = []
        self._open: list[tuple[FloatArray, FloatArray]] = []
        self._second: int | None = None

    def add(self, time_s: FloatArray, values: FloatArray) -> None:
        """Rows (n,) and (n, channels); a second is there when a row of a later one has come."""
        seconds = np.floor(time_s).astype(np.int64)
        cuts = np.flatnonzero(np.diff(seconds)) + 1
        for rows in np.split(np.arange(time_s.size), cuts):
            if rows.size == 0:
                continue
            if self._second is not None and seconds[rows[0]] != self._second:
                self._close()
            self._second = int(seconds[rows[0]])
            self._open.append((time_s[rows], values[rows]))

    def _close(self) -> None:
        times, values = (np.concatenate(parts) for parts in zip(*self._open, strict=True))
        good = np.isfinite(values)
        count = good.sum(axis=0)
        total = np.where(good, values, 0.0).sum(axis=0)
        at = float(times.mean())
        if not self.time_s or at > self.time_s[-1]:
            self.time_s.append(at)
            self.means.append(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0))
        self._open = []


def heat(args: Namespace) -> int:
    """Tell where the heat run ends, again and again; or print the section of a profile."""
    path = Path(args.run)
    is_closed = path.is_file() and path.suffix == ".h5"
    if args.profile_section:
        if not is_closed:
            raise UsageError("a model is fitted to a closed run", where=str(path), remedy="Give the .h5 file.")
        print(_section(path, args))
        return 0
    if not args.every > 0.0:
        raise UsageError("must be above zero", where="--every", got=args.every)
    watch = _Watch(args)
    for stand, channels, time_s, values in _recorded(path, args.channel) if is_closed else _live(path, args.channel):
        watch.add(stand, channels, time_s, values)
    watch.tell()
    return 0


Rows = tuple[Stand, tuple[str, ...], FloatArray, FloatArray]


def _recorded(path: Path, channel: str) -> Iterator[Rows]:
    with open_run(path) as run:
        stand = stand_from_json(run.header.profile_json)
        stream = run.stream_rows(_source(stand, channel))
        for block in stream.blocks():
            # piece by piece, so that no prediction knows what came later
            ends = np.flatnonzero(np.diff(np.floor(block.time_s / PIECE_S))) + 1
            for cut in np.split(np.arange(block.time_s.size), ends):
                yield stand, stream.channels, block.time_s[cut], block.values[cut]


def _live(path: Path, channel: str) -> Iterator[Rows]:
    with RecorderClient(read_live_file(find_live_file(path))) as client:
        stand = stand_from_json(client.describe()["profile_json"])
        source = _source(stand, channel)
        while (message := client.receive(SILENT_S)) is not None:
            if isinstance(message, LiveRows) and message.source == source:
                yield stand, message.channels, message.time_s, message.values
            elif isinstance(message, Status) and not message.recording:
                return


def _source(stand: Stand, channel: str) -> str:
    if channel not in stand.channels:
        raise UsageError("no channel of that name", got=channel, expected=", ".join(stand.channels))
    return stand.channels[channel].source


class _Watch:
    """Gathers, and tells every so often."""

    def __init__(self, args: Namespace) -> None:
        self._args = args
        self._gathered = SecondMeans()
        self._about: tuple[Stand, tuple[str, ...]] | None = None
        self._next_s = -np.inf
        self._told_s = -np.inf

    def add(self, stand: Stand, channels: tuple[str, ...], time_s: FloatArray, values: FloatArray) -> None:
        self._about = (stand, channels)
        start = -np.inf if self._args.start is None else self._args.start
        late = time_s >= start
        if not late.any():
            return
        if self._next_s == -np.inf:
            self._next_s = float(time_s[late][0]) + self._args.every
        self._gathered.add(time_s[late], values[late])
        if float(time_s[-1]) >= self._next_s:
            self._next_s = float(time_s[-1]) + self._args.every
            self.tell()

    def tell(self) -> None:
        """One line, or one JSON object, about all readings so far."""
        seen = self._gathered
        if self._about is None or len(seen.time_s) < LEAST_ROWS or seen.time_s[-1] <= self._told_s:
            return
        self._told_s = seen.time_s[-1]
        stand, channels = self._about
        args = self._args
        time_s, means = np.array(seen.time_s), np.stack(seen.means)
        run, load = heat_run(stand, channels, time_s, means, args.channel, is_held=args.held)
        u_sensor = stand.channels[args.channel].calibration.accuracy.standard_uncertainty(float(np.nanmax(run.temp_c)))
        found = predict_steady(run, u_sensor_k=u_sensor, enough_k=args.within)
        rule = stand.steadiness.thermal
        names = [x.strip() for x in args.steady.split(",") if x.strip()]
        names = names or ([*rule.channels] if rule is not None else [args.channel])
        missing = [name for name in names if name not in channels]
        if missing:
            raise UsageError("not channels of this stream", where="--steady", got=missing, expected=", ".join(channels))
        columns = {name: means[:, channels.index(name)] for name in names}
        label = is_steady(time_s, columns) if rule is None else is_steady(time_s, columns, rule.change_k, rule.over_s)
        low, high = interval(found.final_c)
        if args.json:
            body = {
                "time_s": float(time_s[-1]),
                "channel": args.channel,
                "load": load,
                "now_c": float(run.temp_c[-1]),
                "final_c": found.final_c.value,
                "interval95_c": [low, high],
                "remaining_s": found.remaining_s,
                "pays": found.pays,
                "reason": found.reason,
                "steady": label.state.value,
                "furthest": label.channel,
            }
            print(json.dumps(plain(body), ensure_ascii=False), flush=True)
            return
        print(
            f"{time_s[-1] / 60.0:7.1f} min  {args.channel} {run.temp_c[-1]:.1f} °C, by {load}: {found.reason}. "
            f"{', '.join(names)}: {label.state.value}{'' if label.state is Settled.STEADY else f' ({label.channel})'}",
            flush=True,
        )


def _section(path: Path, args: Namespace) -> str:
    from benchkit.analysis.steady import fold_stream

    with open_run(path) as run:
        stand = stand_from_json(run.header.profile_json)
        stream = run.stream_rows(_source(stand, args.channel))
        segments = fold_stream(stand, stream)
        text = section(live_model_of(stand, stream.channels, segments, args.channel, args.profile_section))
        return f"# fitted to run {run.header.run_id}{', SIMULATED data' if run.header.simulated else ''}\n{text}"
