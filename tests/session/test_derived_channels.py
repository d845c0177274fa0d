"""Derived channels on their way through the recorder: protection sees them, the run keeps them, and recovery and import
make the same bits."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from benchkit.analysis.derived import with_derived
from benchkit.analysis.pipeline import analyse
from benchkit.cli.coverage_study import stream_of
from benchkit.ingest.csv_import import import_csv
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.sources import text_format_of
from benchkit.profiles import LoadedStand, load_stand, stand_from_json
from benchkit.runfile.journal import JournalRecord, Kind
from benchkit.runfile.layout import Block
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.session.redecode import redecode
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.clock import HostClock
from tests.profiles.derived import page_profile, page_stand, write
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

TRIP_AT = "set_point = { value = 45.0, unit = "


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> LoadedStand:
    return page_stand(tmp_path_factory.mktemp("page"))


def lines_of(loaded: LoadedStand, speed_rpm: float, seconds: float = 1.0) -> list[bytes]:
    rows, _ = steady_record(loaded.stand, Load.PROPELLER, speed_rpm, 0.0, seconds=seconds, rate_hz=100.0, seed=4)
    return record_bytes(loaded.stand, rows, seed=4).splitlines(keepends=True)


def test_recorded_recomputed_redecoded_and_imported_are_the_same_bits(loaded: LoadedStand, tmp_path: Path) -> None:
    lines = lines_of(loaded, 2000.0)
    clock, desk = HostClock(), Desk()
    pieces = [b"".join(lines[i : i + 7]) for i in range(0, len(lines), 7)]
    path = tmp_path / "run.h5"
    recorder = Recorder(
        loaded.stand, header_for(loaded), [MemorySource(loaded.stand, pieces, clock)], path, clock, desk
    )
    recorder.run()
    desk.close()
    with open_run(path) as run:
        stream, header = run.stream("rack"), run.header
    stand = stand_from_json(header.profile_json)
    derived = [c.name for c in stand.channels.values() if c.derived]
    assert stream.channels[-5:] == tuple(derived)
    assert stream.units[-5:] == ("W", "W", "W", "K", "1")
    power = stream.column("dc_voltage") * stream.column("dc_current")
    assert power.min() > 1000.0
    assert np.array_equal(stream.column("dc_power"), power)
    # computed again from the measured columns of the run
    kept = len(stream.channels) - len(derived)
    measured = dataclasses.replace(
        stream, channels=stream.channels[:kept], units=stream.units[:kept], values=stream.values[:, :kept]
    )
    assert with_derived(stand, measured).values.tobytes() == stream.values.tobytes()
    # decoded again from the bytes, cut another way
    records = [JournalRecord(Kind.RECEIVED, 0, k, line) for k, line in enumerate(lines)]
    again = np.concatenate([piece.values for piece in redecode(header, "rack", records) if isinstance(piece, Block)])
    assert again.tobytes() == stream.values.tobytes()
    # and the same lines as a file
    text = tmp_path / "lines.csv"
    text.write_bytes(b"".join(lines))
    spec = text_format_of(stand.sources["rack"])
    import_csv(text, loaded, "rack", tmp_path / "imported.h5", text_format=spec, has_header=False)
    with open_run(tmp_path / "imported.h5") as run:
        assert run.stream("rack").values.tobytes() == stream.values.tobytes()


def test_a_limit_on_a_derived_channel_trips(loaded: LoadedStand, tmp_path: Path) -> None:
    slow, fast = lines_of(loaded, 1500.0), lines_of(loaded, 2600.0)
    text = page_profile()
    assert TRIP_AT in text
    stand = load_stand(write(tmp_path, text.replace(TRIP_AT, "set_point = { value = 8.0, unit = ")))
    clock, desk = HostClock(), Desk()
    source = MemorySource(stand.stand, [*slow, *fast], clock)
    recorder = Recorder(stand.stand, header_for(stand), [source], tmp_path / "run.h5", clock, desk)
    while recorder.protection.state is not State.READY:
        recorder.step()
    recorder.request_trigger(Trigger.ARM, "test")
    recorder.request_trigger(Trigger.START, "test")
    while recorder.protection.state is State.RUNNING:
        assert not recorder.step()
    assert recorder.protection.state is State.TRIPPED
    first = recorder.protection.first_out
    assert first is not None
    assert "dc_power_high" in first.limits
    assert source.sent == ["stop torque"]
    recorder.finish()
    desk.close()
    with open_run(tmp_path / "run.h5") as run:
        trips = [e for e in run.events() if e.kind is EventKind.TRIP and e.channel == "dc_power"]
        power = run.stream("rack").column("dc_power")
    assert len(trips) == 1
    assert np.count_nonzero(power > 8000.0) == 1  # the first row above it was enough
    assert power[-1] > 8000.0


def test_operating_points_carry_them(loaded: LoadedStand) -> None:
    rows, _ = steady_record(loaded.stand, Load.PROPELLER, 2000.0, 0.0, seconds=20.0, rate_hz=20.0, seed=4)
    result = analyse(loaded.stand, stream_of(loaded.stand, rows))
    (point,) = result.points
    (balance,) = result.balances
    # the same law by two ways: of the means of the readings, and of the samples of the derived channel
    assert point.means["dc_power"].value == pytest.approx(balance.dc_power_w.value, rel=1e-5)
    assert point.means["dc_power"].u == pytest.approx(balance.dc_power_w.u, rel=0.1)
    assert point.means["shaft_power"].u == pytest.approx(balance.shaft_power_w.u, rel=0.1)
    assert point.means["drive_efficiency"].value == pytest.approx(balance.drive_efficiency.value, rel=1e-4)
