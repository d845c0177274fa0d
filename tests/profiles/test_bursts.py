"""``[bursts.NAME]``: the shared example, and what a profile may not say."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.bursts import BurstFileKind, BurstRole
from benchkit.model.events import EventKind
from benchkit.profiles import load_stand, shared_path, stand_from_json

HEAD = f'[profile]\nbase = "{shared_path("stands", "airboat.toml").as_posix()}"\n'
BODY = (shared_path("stands", "airboat_bursts.toml").read_text(encoding="utf-8")).split("[bursts.scope]", 1)[1]


def write(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = "[bursts.scope]" + BODY
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "stand.toml"
    path.write_text(HEAD + text, encoding="utf-8")
    return path


def test_the_shared_example() -> None:
    loaded = load_stand(shared_path("stands", "airboat_bursts.toml"))
    source = loaded.stand.bursts["scope"]
    # exact: 1 MS/s, 20 ms before and 30 ms after, 8 values of 2 bytes
    assert (source.rows, source.pre_rows, source.frame_bytes, source.stored_type) == (50_000, 20_000, 16, "<i2")
    assert source.triggers == (EventKind.TRIP, EventKind.CAUTION, EventKind.MARK)
    assert source.channels[0].role is BurstRole.PHASE_CURRENT
    assert source.u_rate == 25e-6
    assert stand_from_json(loaded.json).bursts == loaded.stand.bursts
    assert not load_stand(shared_path("stands", "airboat.toml")).stand.bursts


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('unit = "MHz"', 'unit = "GHz"', "bursts.scope.sample_rate.unit: 'GHz' is not a unit of frequency"),
        ("value = 1.0, unit", "value = 2.0, unit", "faster than bursts can be"),
        ('value = 20.0, unit = "ms"', 'value = 200.0, unit = "s"', "a burst has two samples at least, and an end"),
        ('port = "0.0.0.0:5606"\n', "", "port: is missing: a burst source of kind 'udp' needs it"),
        ('kind = "udp"', 'kind = "file"', "file: is missing"),
        ('name = "scope_current_b"', 'name = "scope_current_a"', "'scope_current_a' occurs twice"),
        ("gain = 0.015625", "gain = 0.0", "a gain of zero measures nothing"),
        ('role = "phase_current"', 'role = "dc_voltage"', "the role dc_voltage is for voltage"),
        ('role = "leg_voltage"\nleg = "a"', 'role = "leg_voltage"', "belongs to a phase leg"),
        ("[bursts.scope]", "[bursts.rack]", "a source has this name too"),
        ('trigger_on = ["trip"', 'trigger_on = ["whim"', "trigger_on"),
    ],
)
def test_faults_are_named(tmp_path: Path, old: str, new: str, message: str) -> None:
    changes = [(old, new)]
    if new == "[bursts.rack]":
        changes += [("[bursts.scope.packet]", "[bursts.rack.packet]")]
        changes += [("[[bursts.scope.channels]]", "[[bursts.rack.channels]]")] * 8
    with pytest.raises(ProfileError, match="problem") as caught:
        load_stand(write(tmp_path, *changes))
    assert message in str(caught.value)


def test_files_of_an_instrument(tmp_path: Path) -> None:
    start, stop = BODY.index("[bursts.scope.packet]"), BODY.index("[[bursts.scope.channels]]")
    section = (
        '[bursts.scope.file]\nformat = "csv"\nfolder = "captures"\npattern = "*.csv"\ncolumns = [1]\ntrigger_row = 10\n'
    )
    second = BODY.index("[[bursts.scope.channels]]", stop + 5)
    text = BODY[:start] + section + BODY[stop:second]
    for line in (
        'port = "0.0.0.0:5606"',
        'pre_trigger = { value = 20.0, unit = "ms" }',
        'post_trigger = { value = 30.0, unit = "ms" }',
    ):
        assert line in text
        text = text.replace(line, "")
    text = (
        text.replace('kind = "udp"', 'kind = "file"')
        .replace('["trip", "caution", "mark"]', "[]")
        .replace('"i2"', '"f8"')
    )
    path = tmp_path / "stand.toml"
    path.write_text(HEAD + "[bursts.scope]" + text, encoding="utf-8")
    file = load_stand(path).stand.bursts["scope"].file
    assert file is not None
    assert (file.kind, file.columns, file.trigger_row) == (BurstFileKind.CSV, (1,), 10)
    path.write_text(path.read_text(encoding="utf-8").replace("columns = [1]", "columns = [1, 2]"), encoding="utf-8")
    with pytest.raises(ProfileError, match="one place for each channel"):
        load_stand(path)
