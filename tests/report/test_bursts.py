"""The section on bursts: what the simulated inverter was told is what the page says, within its stated uncertainty."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from benchkit.analysis.signals.burst_metrics import burst_metrics
from benchkit.model.bursts import Burst, BurstRecord
from benchkit.model.metrics import Metric
from benchkit.profiles import load_stand, shared_path
from benchkit.report import figures
from benchkit.report.bursts import DRAWN, digest_bursts
from benchkit.report.model import SpectrumFigure, Table, TraceFigure
from benchkit.report.sections_bursts import bursts_section
from benchkit.simulate.burst_sender import DEAD_TIME_S, instrument_of
from benchkit.simulate.pwm import TORQUE_ORDER_6, PwmState, PwmWaves

STATE = PwmState(2000.0, 100.0, 0.0, 120.0, 390.0, 60.0, gates_off=False)
STAND = load_stand(shared_path("stands", "airboat_bursts.toml")).stand
SOURCE = STAND.bursts["scope"]


def burst(number: int, state: PwmState = STATE, rows: int = 20_000, missing: int = 0) -> Burst:
    waves = PwmWaves(SOURCE, instrument_of(STAND, "127.0.0.1:9", 1).drive, number)
    samples = np.concatenate([waves.block(10_000, state) for _ in range(rows // 10_000)])
    gaps = np.array([[300, missing]]) if missing else np.empty((0, 2), dtype=np.int64)
    record = BurstRecord("scope", number, "mark: steady", 1e6, 0, 8000, 2_000_000_000, 2000, missing, gaps, samples)
    return Burst(record, SOURCE.channels)


@pytest.fixture(scope="module")
def metrics() -> dict[str, Metric]:
    return {
        f"{m.name}{m.region[-2:] if 'phase' in m.region else ''}": m for m in burst_metrics(burst(1), pole_pairs=10)
    }


@pytest.mark.parametrize(
    ("name", "truth"),
    [
        ("electrical_frequency a", 10 * 2000.0 / 60.0),
        ("switching_frequency", STAND.inverter.switching_frequency_hz),
        ("dead_time", DEAD_TIME_S),
        ("torque_ripple_order_60", 100.0 * TORQUE_ORDER_6),
        ("torque_ripple", TORQUE_ORDER_6 / np.sqrt(2.0)),
    ],
)
def test_what_was_put_in_comes_out(metrics: dict[str, Metric], name: str, truth: float) -> None:
    found = metrics[name]
    assert abs(found.value - truth) <= 3.0 * found.u
    assert found.u < 0.05 * truth


def test_a_stand_with_the_gates_off_has_no_fundamental_and_no_switching() -> None:
    found = {m.name for m in burst_metrics(burst(1, PwmState(dc_voltage_v=400.0), 10_000), pole_pairs=10)}
    assert not found & {"current_thd", "switching_frequency", "dead_time", "torque_ripple"}
    assert "dc_ripple_rms" in found


def test_the_section_has_tables_and_figures_that_can_be_drawn() -> None:
    digests = digest_bursts([burst(n, rows=10_000, missing=7 * (n == 2)) for n in range(1, DRAWN + 2)], STAND)
    run = SimpleNamespace(label="A", bursts=digests)
    section = bursts_section([run])  # type: ignore[list-item]
    assert section is not None
    tables = {block.id: block for block in section.blocks if isinstance(block, Table)}
    assert set(tables) == {"bursts", "burst-spectra", "burst-metrics"}
    assert [row[-1].text for row in tables["bursts"].rows] == ["none", "7", "none", "none"]  # type: ignore[union-attr]
    drawn = [block for block in section.blocks if isinstance(block, TraceFigure | SpectrumFigure)]
    assert len(drawn) == 3 * DRAWN
    assert isinstance(drawn[2], SpectrumFigure)
    assert figures.draw(drawn[2]).startswith("<svg")
    spectrum = digests[0].spectra[1]
    values = burst(1, rows=10_000).values(4)
    assert spectrum.rms == pytest.approx(float(np.sqrt(np.mean(values**2))), rel=1e-9)  # exact: Parseval
    assert bursts_section([SimpleNamespace(label="A", bursts=())]) is None  # type: ignore[list-item]
