"""``benchkit transfer`` on the sample runs: numbers, page, faults; loads from TOML and CSV."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.errors import UsageError
from benchkit.profiles.load_points import read_load_points

RUNS = Path(__file__).resolve().parents[2] / "sample_runs"
SMALL = str(RUNS / "small_motor" / "run.h5")
LOADS = """
[[loads]]
name = "take-off"
current = { value = 150.0, unit = "A" }
dc_voltage = { value = 395.0, unit = "V" }
switching_frequency = { value = 16.0, unit = "kHz" }
coolant_temp = { value = 42.0, unit = "°C" }
"""


def test_from_the_small_motor_to_the_big_one(tmp_path, capsys):
    loads = tmp_path / "big.toml"
    loads.write_text(LOADS, encoding="utf-8")
    terms = "standing,threshold,resistance,resistance_warm"
    assert main(["transfer", SMALL, "--to", str(loads), "--json", "--terms", terms]) == 0
    (section,) = json.loads(capsys.readouterr().out)["sections"]
    assert section["id"] == "loss-transfer"
    tables = {table["id"]: table["rows"] for table in section["tables"]}
    assert [row["term"] for row in tables["loss-terms"]][:2] == ["standing", "threshold"]
    (predicted,) = tables["loss-prediction"]
    assert predicted["load"] == "take-off"
    assert predicted["loss"]["low95"] < predicted["loss"]["value"] < predicted["loss"]["high95"]
    assert predicted["range"].startswith("EXTRAPOLATED: ")
    assert "current 150 A above 38.98 A" in predicted["range"]


def test_faults_of_the_call(tmp_path, capsys):
    assert main(["transfer", SMALL, "--test", SMALL]) == 2
    assert "among those it was made from" in capsys.readouterr().err
    assert main(["transfer", SMALL, "--out", SMALL]) == 2
    assert "would replace a run" in capsys.readouterr().err


def test_loads_from_either_file(tmp_path):
    toml, table = tmp_path / "a.toml", tmp_path / "a.csv"
    toml.write_text(LOADS, encoding="utf-8")
    table.write_text(
        "name,current_a,dc_voltage_v,switching_frequency_hz,coolant_c\ntake-off,150,395,16000,42\n", encoding="utf-8"
    )
    assert read_load_points(toml) == read_load_points(table)


@pytest.mark.parametrize(
    ("name", "text", "match"),
    [
        ("a.toml", LOADS.replace("kHz", "kV"), r"loads.0.switching_frequency.unit: 'kV' is not a unit of frequency"),
        ("a.toml", LOADS.replace("dc_voltage", "voltage"), r"loads.0.voltage: .*keys of a load"),
        ("a.toml", LOADS + "[[loads]]\ncurrent = { value = 1.0, unit = 'A' }\n", "every load must say the same"),
        ("a.csv", "current_a,dc_volt_v\n1,2\n", "Did you mean 'dc_voltage_v'"),
        ("a.csv", "current_a\n", "1 to 500 loads"),
        ("a.csv", "current_a\none\n", "line 2: a load is made of numbers"),
        ("a.csv", "current_a\nnan\n", "line 2: a load is made of finite numbers"),
        ("a.csv", "current_a\n1,2\n", "line 2: a line does not have as many cells"),
    ],
)
def test_faults_of_a_file_of_loads(tmp_path, name, text, match):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=match):
        read_load_points(path)
