"""Thermal models of a profile through the recorder: times to a limit, and the word when a model no longer matches."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.thermal_models import LossByCurrent, ThermalModel
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.layout import Block
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.forecast import Forecast
from benchkit.session.protection_status import Prediction
from benchkit.session.recorder import Recorder
from benchkit.session.thermal_watch import START_KNOWN_K, ThermalWatch
from benchkit.simulate.drives import Load
from benchkit.simulate.records import HeatingTruth, heating_record, record_bytes
from benchkit.sources.clock import ManualClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

S = 1_000_000_000
RATE_HZ, TAU_S, COOLANT_C = 1.0, 60.0, 40.0
COLUMNS = ("winding_temp", "coolant_inlet_temp", "phase_u_current")


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


def model_of(**changes: object) -> ThermalModel:
    values: dict[str, object] = {
        "name": "winding",
        "source": "rack",
        "channel": "winding_temp",
        "reference": "coolant_inlet_temp",
        "limit": "winding_hot",
        "tau_s": (TAU_S,),
        "resistance_k_w": (1.0,),
        "loss": LossByCurrent("phase_u_current", 1.0, 0.0, 0.0),
        "scatter_k": 0.3,
        "memory_s": 1.0,
        "u_k": 1.0,
    }
    return ThermalModel(**(values | changes))  # type: ignore[arg-type]


def record(
    loaded: LoadedStand, folder: Path, final_c: float, model_final_c: float, seconds: float
) -> tuple[dict[str, Prediction], list[Event], set[str]]:
    """Record a heating of the simulated stand towards ``final_c`` beside a model that goes to ``model_final_c``."""
    truth = HeatingTruth(60.0, final_c, TAU_S, COOLANT_C)
    rows = heating_record(
        loaded.stand, Load.PROPELLER, 2000.0, 0.0, truth=truth, seconds=seconds, rate_hz=RATE_HZ, seed=3
    )
    lines = record_bytes(loaded.stand, rows, seed=3).splitlines(keepends=True)
    source_columns = MemorySource(loaded.stand, (), ManualClock()).columns
    current = float(np.mean(rows.values[:, source_columns.index("iu")]))
    channel = loaded.stand.channels["phase_u_current"]
    current_a = float(channel.calibration.curve.apply(np.array([current]))[0])
    model = model_of(resistance_k_w=((model_final_c - COOLANT_C) / current_a**2,))
    stand = replace(loaded.stand, thermal_models={"winding": model})
    clock = ManualClock(10 * S)

    def pieces() -> Iterator[bytes]:
        for line in lines:
            clock.advance(1.0 / RATE_HZ)
            yield line

    desk = Desk()
    source = MemorySource(stand, pieces(), clock)
    recorder = Recorder(stand, header_for(loaded), [source], folder / "run.h5", clock, desk)
    while recorder.lanes["rack"].rows < len(lines):
        recorder.step()
    for _ in range(2 * len(stand.limit_set.limits)):  # every channel has had its turn
        status = recorder.status(clock.now_ns())
    recorder.run()
    desk.close()
    with open_run(folder / "run.h5") as run:
        events = run.events()
    told = [e for e in events if e.data.get("code") == "thermal_model_off"]
    tripped = {e.message for e in events if e.kind is EventKind.TRIP}
    return {one.channel: one for one in status.protection.predictions}, told, tripped


def test_a_model_that_matches_gives_the_time(loaded: LoadedStand, tmp_path: Path) -> None:
    told, events, _ = record(loaded, tmp_path, 160.0, 160.0, 45.0)
    # exact: from T on it takes tau ln((160 - T)/(160 - 140)), T = 160 - 100 exp(-45/60)
    exact = TAU_S * math.log(100.0 * math.exp(-45.0 / TAU_S) / 20.0)
    found = told["winding_temp"]
    assert (found.limit, found.model) == ("winding_hot", "winding")
    # the loss has the scatter of one current: 0.5 % of it are 1.1 K of the end, 5.5 % of the last 20 K
    assert found.time_to_limit_s == pytest.approx(exact, abs=0.06 * TAU_S)
    assert events == []
    assert told["shaft_torque"].model == ""


def test_one_that_does_not_is_told_and_gives_none(loaded: LoadedStand, tmp_path: Path) -> None:
    told, events, tripped = record(loaded, tmp_path, 90.0, 120.0, 40.0)
    (event,) = events
    assert (event.kind, event.source, event.channel) == (EventKind.QUALITY, "rack", "winding_temp")
    assert event.data["severity"] == "caution"
    assert "'winding' no longer matches: winding_temp reads" in event.message
    assert "K below it" in event.message
    assert told["winding_temp"].model == ""
    # a word, never a trip; rows once a second are stale for the stand, which trips by itself
    assert not any("thermal model" in text for text in tripped)


# ----------------------------------------------------------------------------------------------- without a recorder
def block(time_s: float, temp_c: float, coolant_c: float = COOLANT_C, current_a: float = 10.0) -> Block:
    at, one = np.array([time_s]), np.array([[temp_c, coolant_c, current_a]])
    return Block(at, at, at, np.array([-1]), one, one[:, :0])


def watch_of(loaded: LoadedStand, model: ThermalModel, pace: float = 1.0) -> ThermalWatch:
    stand = replace(loaded.stand, thermal_models={model.name: model})
    return ThermalWatch(stand, {"rack": COLUMNS}, 0, pace)


def test_a_warm_start_gives_no_time_until_it_is_forgotten(loaded: LoadedStand) -> None:
    """exact: a start that carries 60 K on unknown lags may shift by 60 exp(-t/600) K, 3 K at t = 600 ln 20."""
    model = model_of(tau_s=(5.0, 600.0), resistance_k_w=(0.2, 0.4), u_k=0.5)
    watch = watch_of(loaded, model)
    # all 60 K on the slow lag, no loss: the model begins with a third of it on the fast one and is wrong by up to 20 K
    forgotten = 600.0 * math.log(60.0 / START_KNOWN_K)
    for t in np.arange(0.0, forgotten + 20.0, 1.0):
        watch.add("rack", block(float(t), 40.0 + 60.0 * math.exp(-t / 600.0), current_a=0.0))
        assert list(watch.look(float(t))) == []
        if abs(t - forgotten) > 2.0:
            assert len(watch.predictions(round(t * S))) == (t > forgotten)
    (found,) = watch.predictions(round((forgotten + 20.0) * S))
    assert math.isnan(found.time_to_limit_s)  # it cools: no limit is met


def test_gaps_paces_and_old_rows(loaded: LoadedStand) -> None:
    model = model_of(resistance_k_w=(1.2,))  # 10 A: 100 W, the end is at 160 °C
    watch = watch_of(loaded, model, pace=10.0)
    for t in np.arange(0.0, 31.0, 1.0):
        coolant = math.nan if 10.0 < t < 15.0 else COOLANT_C
        watch.add("rack", block(float(t), 160.0 - 120.0 * math.exp(-t / TAU_S), coolant))
    # exact; in host time, of which a second is ten of the stand
    exact = TAU_S * math.log(120.0 * math.exp(-30.0 / TAU_S) / 20.0) / 10.0
    (found,) = watch.predictions(30 * S)
    assert found.time_to_limit_s == pytest.approx(exact, rel=1e-4)
    assert watch.predictions(33 * S) == ()  # nothing came for three seconds
    watch.add("rack", block(60.0, 90.0))  # after a gap it begins anew, and has judged nothing yet
    assert watch.predictions(60 * S) == ()


def test_a_growing_loss_is_taken_at_the_limit(loaded: LoadedStand) -> None:
    """exact: with k I² (1 + alpha (T - 20)) the end is where R P(T) = T - T_ref; it lies above the limit if and only
    if R P(limit) does."""
    for current, reached in ((9.0, False), (9.6, True)):
        loss = LossByCurrent("phase_u_current", 0.8, 0.004, 0.0)
        watch = watch_of(loaded, model_of(resistance_k_w=(1.0,), loss=loss, memory_s=0.2))
        square = 0.8 * current**2
        end = (COOLANT_C + square * (1.0 - 0.08)) / (1.0 - 0.004 * square)
        tau = TAU_S / (1.0 - 0.004 * square)
        assert (end > 140.0) is reached
        for t in np.arange(0.0, 20.0, 0.1):
            watch.add("rack", block(float(t), end - (end - COOLANT_C) * math.exp(-t / tau), current_a=current))
        (found,) = watch.predictions(20 * S)
        assert math.isfinite(found.time_to_limit_s) is reached
        if reached:
            exact = tau * math.log((end - COOLANT_C) * math.exp(-19.9 / tau) / (end - 140.0))
            assert 0.5 * exact < found.time_to_limit_s <= exact


def test_told_once_and_over_when_it_matches_again(loaded: LoadedStand) -> None:
    watch = watch_of(loaded, model_of(tau_s=(2.0,), resistance_k_w=(0.5,), memory_s=0.5, u_k=0.5))
    told: list[Event] = []
    for t in np.arange(0.0, 60.0, 0.5):
        wrong = 15.0 if 20.0 <= t < 30.0 else 0.0
        watch.add("rack", block(float(t), 90.0 + wrong))
        told += watch.look(float(t))
    assert [e.kind for e in told] == [EventKind.QUALITY, EventKind.QUALITY_OVER]
    assert "K above it" in told[0].message
    assert 20.0 <= told[0].time_s < 25.0


class _Course:
    """Protection that predicts what it is told, for the choice between two predictions."""

    def __init__(self, loaded: LoadedStand, limit: str, seconds: float) -> None:
        self.limits = [x for x in loaded.stand.limit_set.limits if x.channel == "winding_temp"]
        self._told = [Prediction("winding_temp", limit, seconds)]

    def margins(self, now_ns: int, names: tuple[str, ...]) -> list[Prediction]:
        return self._told


@pytest.mark.parametrize(
    ("limit", "seconds", "by_model"),
    [
        ("winding_hot", 5.0, True),
        ("winding_hot", math.nan, True),
        ("winding_hot", 0.0, False),  # beyond it: what is measured counts
        ("other", 5.0, False),  # met sooner
        ("other", 500.0, True),
    ],
)
def test_which_prediction_stands(loaded: LoadedStand, limit: str, seconds: float, by_model: bool) -> None:
    watch = watch_of(loaded, model_of(resistance_k_w=(1.2,)))
    for t in np.arange(0.0, 31.0, 1.0):
        watch.add("rack", block(float(t), 160.0 - 120.0 * math.exp(-t / TAU_S)))
    forecast = Forecast(_Course(loaded, limit, seconds), watch)  # type: ignore[arg-type]
    (found,) = forecast.turn(30 * S)
    assert bool(found.model) is by_model
