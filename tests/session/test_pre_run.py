"""Checks before a run, asked of a recorder in a process of its own, with the simulated stand at rest."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchkit.errors import RefusedError
from benchkit.model.events import EventKind
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient
from benchkit.session.process import start_recorder

PASSING = ("not been measured for long enough", "is not measured now", "nothing to compare with yet")
"""Refusals that are over after some seconds."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("runs")


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[RecorderClient]:
    """One recorder for the module; the last test closes its run."""
    child, endpoints = start_recorder("airboat", folder, ("--simulated", "--quiet"))
    try:
        with RecorderClient(endpoints) as client:
            yield client
    finally:
        child.end()


def ask(client: RecorderClient, do: str, **more: object) -> dict[str, Any]:
    """The answer, as soon as the recorder has seen two seconds."""
    for _ in range(100):
        try:
            return client.request(do, who="Ada", **more)
        except RefusedError as error:
            if not any(text in str(error) for text in PASSING):
                raise
            time.sleep(0.1)
    pytest.fail("no rows")


def test_nothing_to_compare_with(client: RecorderClient) -> None:
    with pytest.raises(RefusedError, match=r"nothing to compare with yet.*gates=off before"):
        client.request("gates_noise", who="Ada", gates="on")


def test_checks_are_events_with_what_they_found(client: RecorderClient, folder: Path) -> None:
    cold = ["winding_temp", "stator_temp", "magnet_temp", "case_temp"]
    assert ask(client, "cold_soak", channels=cold)["findings"] == []
    zeros = ask(client, "zero_check")
    assert all(line.split(" ")[0] != "dc_voltage" for line in zeros["findings"])
    assert ask(client, "gates_noise", gates="off")["findings"] == []
    # nothing has been switched: no channel scatters more
    assert ask(client, "gates_noise", gates="on")["findings"] == []
    with pytest.raises(RefusedError, match=r"no measured channel for this check.*'winding_temp'"):
        ask(client, "cold_soak", channels=["winding_tmp", "stator_temp"])
    with pytest.raises(RefusedError, match="not said whether the gates are on"):
        ask(client, "gates_noise")
    client.request("close", who="Ada")
    (path,) = folder.glob("*.h5")
    for _ in range(100):
        if not list(folder.glob("*.live.json")):
            break
        time.sleep(0.1)
    with open_run(path) as run:
        checks = [event for event in run.events() if event.kind is EventKind.PRE_RUN_CHECK]
    assert [event.data["check"] for event in checks] == ["cold_soak", "zero_check", "gates_noise", "gates_noise"]
    assert checks[0].data["who"] == "Ada"
    assert set(checks[0].data["readings"]) == set(cold)  # type: ignore[arg-type]
    assert checks[3].data["channels"]["shaft_torque"]["ratio"] == pytest.approx(1.0, abs=0.3)  # type: ignore[index, call-overload]
