"""A run file is plain HDF5: xarray with h5netcdf, h5py alone and the HDF5 command line tools read it."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.model.run import RunHeader
from benchkit.runfile.layout import Block
from benchkit.runfile.recover import recover

MakeBlock = Callable[[int, int], Block]


def check_with_xarray(path: Path, expected: Block) -> None:
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    with xarray.open_dataset(path, group="streams/rack", engine="h5netcdf") as stream:
        assert stream["values"].dims == ("time", "channel")
        assert stream.channel.values.tolist() == ["shaft_speed", "shaft_torque", "winding_temp"]
        assert stream.unit.values.tolist() == ["rpm", "N·m", "°C"]
        assert stream.quantity.values.tolist() == ["speed", "torque", "temperature"]
        assert stream.label.values.tolist() == ["Shaft speed", "Drehmoment Welle", "Winding temperature"]
        torque = stream["values"].sel(channel="shaft_torque")
        assert torque.unit.item() == "N·m"
        np.testing.assert_array_equal(torque.values, expected.values[:, 1])
        np.testing.assert_array_equal(stream.raw_values.sel(raw_channel="tq").values, expected.raw[:, 0])
        np.testing.assert_array_equal(stream.counter.values, expected.counter)
        np.testing.assert_array_equal(stream.arrival.values, expected.arrival_s)
        # 2026-03-04T10:00:00Z plus one second, as xarray decodes the CF time unit
        row = stream.isel(time=1000)
        assert row.time.values == np.datetime64("2026-03-04T10:00:01", "ns")


def test_xarray_opens_a_closed_run(closed_run: Path, block: MakeBlock) -> None:
    check_with_xarray(closed_run, block(0, 2500))


def test_xarray_opens_a_recovered_run(crashed_run: Path, block: MakeBlock, redecode: Callable[..., object]) -> None:
    check_with_xarray(recover(crashed_run, redecode).path, block(0, 2800))  # type: ignore[arg-type]


def test_h5py_alone_reads_it(closed_run: Path, block: MakeBlock) -> None:
    with h5py.File(closed_run) as file:
        assert file.attrs["run_id"].decode() == "2026-03-04-001"
        assert bytes(file["header/profile_texts"][:]).decode() == '{"airboat.toml": "# °C\\nname = \'airboat\'\\n"}'
        stream = file["streams/rack"]
        assert stream["values"].dims[0][0] == stream["time"]
        assert stream["values"].dims[1][0] == stream["channel"]
        assert stream["values"].chunks == (1000, 3)
        np.testing.assert_array_equal(stream["values"][:], block(0, 2500).values)
        lines = bytes(file["events/log"][:]).decode().splitlines()
        assert len(lines) == 2


@pytest.mark.skipif(shutil.which("h5dump") is None, reason="needs the HDF5 command line tools")
def test_hdf5_tools_read_it(closed_run: Path) -> None:
    def h5dump(*arguments: str) -> str:
        return subprocess.run(
            ["h5dump", *arguments, str(closed_run)], capture_output=True, text=True, check=True
        ).stdout

    assert "(2.49" not in h5dump("-H")
    assert h5dump("-y", "-w", "0", "-d", "/streams/rack/time", "-s", "2498", "-c", "2").count("2.49") == 2
    assert 'DATASET "values"' in h5dump("-A")
    assert "H5T_IEEE_F64LE" in h5dump("-d", "/streams/rack/values", "-s", "0,0", "-c", "2,3")


def test_content_hash_as_the_reference_page_says(closed_run: Path, header: RunHeader) -> None:
    """Exact: put together with hashlib and plain h5py from the words of docs/reference/run-file.md."""
    text = json.dumps(asdict(header), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    expected = hashlib.sha256(text.encode())
    stream = "channel unit quantity label raw_channel time arrival device_time counter values raw_values"
    raw = "received received_time_ns received_end sent sent_time_ns sent_end"
    paths = [f"streams/rack/{name}" for name in stream.split()] + ["events/log"]
    paths += [f"raw/rack/{name}" for name in raw.split()] + ["clock/rack"]
    with h5py.File(closed_run) as file:
        for path in paths:
            data = file[path][:]
            expected.update(f"\n{path} {data.dtype.str} {json.dumps(list(data.shape))}\n".encode() + data.tobytes())
        assert file.attrs["content_sha256"].decode() == expected.hexdigest()
