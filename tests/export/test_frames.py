"""A run as a pandas table and an xarray dataset; the HDF5 tools read what xarray stores."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import UsageError
from benchkit.runfile.layout import Block
from benchkit.runfile.reader import open_run

pytestmark = pytest.mark.usefixtures("small_pieces")


def test_dataframe(run_path: Path, rack: Block) -> None:
    pytest.importorskip("pandas")
    with open_run(run_path) as run:
        frame = run.to_dataframe("rack")
        part = run.to_dataframe("rack", channels=["shaft_speed"], start_s=1.0, stop_s=1.01)
        sha = run.content_sha256
    np.testing.assert_array_equal(frame.index.to_numpy(), rack.time_s)
    np.testing.assert_array_equal(frame.iloc[:, 3:].to_numpy(), rack.values)
    np.testing.assert_array_equal(frame["counter"].to_numpy(), rack.counter)
    assert frame["device_time_s"].isna().all()
    assert (frame.index.name, frame.attrs["run_id"], frame.attrs["content_sha256"]) == ("time_s", "2026-03-04-002", sha)
    assert frame.attrs["units"]["Drehmoment µ·m"] == "=unit"
    assert frame.attrs["units"]["time_s"] == "s"
    # the channel that is called like the sample time stands under another name
    assert frame.attrs["labels"]["time_s_3"].startswith("time_s & ")
    assert list(part.columns) == ["arrival_s", "device_time_s", "counter", "shaft_speed"]
    np.testing.assert_array_equal(part["shaft_speed"].to_numpy(), rack.values[1000:1010, 0])


def test_xarray(run_path: Path, slow: Block) -> None:
    pytest.importorskip("xarray")
    with open_run(run_path) as run:
        dataset = run.to_xarray("slow")
    np.testing.assert_array_equal(dataset["air_temp"].values, slow.values[:, 0])
    np.testing.assert_array_equal(dataset["time_s"].values, slow.time_s)
    assert dataset["counter"].dtype == np.int64
    assert dataset["air_temp"].attrs == {
        "units": "°C",
        "long_name": "Air",
        "quantity": "temperature",
        "channel": "air_temp",
    }
    assert (dataset.attrs["source"], dataset.attrs["simulated"]) == ("slow", 1)
    assert float(dataset["air_temp"].sel(time_s=1.0, method="nearest")) == slow.values[10, 0]


def test_several_streams_want_a_name(run_path: Path) -> None:
    pytest.importorskip("pandas")
    with open_run(run_path) as run:
        with pytest.raises(UsageError, match=r"several streams.*one of rack, slow.*Name the source"):
            run.to_dataframe()
        with pytest.raises(UsageError, match=r"no stream 'rak'.*Did you mean 'rack'"):
            run.to_xarray("rak")
        with pytest.raises(UsageError, match=r"no channel 'air_temp' in rack"):
            run.to_dataframe("rack", channels=["air_temp"])


@pytest.mark.parametrize("library", ["pandas", "xarray"])
def test_a_missing_library_is_named_with_its_extra(
    run_path: Path, library: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with (
        open_run(run_path) as run,
        pytest.raises(UsageError, match=rf"needs {library}, which is not installed.*benchkit\[export\]"),
    ):
        _ = run.to_dataframe("rack") if library == "pandas" else run.to_xarray("rack")


@pytest.mark.skipif(shutil.which("h5dump") is None, reason="needs the HDF5 command line tools")
def test_h5dump_reads_the_netcdf_that_xarray_stores(run_path: Path, tmp_path: Path, slow: Block) -> None:
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    with open_run(run_path) as run:
        run.to_xarray("slow").to_netcdf(tmp_path / "slow.nc", engine="h5netcdf")
    dump = ["h5dump", "-y", "-w", "0", "-m", "%.17g", "-d", "/air_temp", str(tmp_path / "slow.nc")]
    text = subprocess.run(dump, capture_output=True, encoding="utf-8", check=True).stdout
    numbers = text.split("DATA {")[1].split("}")[0].replace("\n", " ").split(",")
    assert [float(number) for number in numbers] == slow.values[:, 0].tolist()
    with xarray.open_dataset(tmp_path / "slow.nc", engine="h5netcdf", decode_times=False) as again:
        np.testing.assert_array_equal(again["air_temp"].values, slow.values[:, 0])
        assert again["air_temp"].units == "°C"
