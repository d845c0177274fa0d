"""Sensors: calibration errors of the stated size, curves with their way back, unknown columns."""

from __future__ import annotations

from dataclasses import replace
from math import isnan

import numpy as np
import pytest

from benchkit.errors import UsageError
from benchkit.model.calibration import Calibration, GainOffset, Polynomial, Table
from benchkit.model.stand import Stand
from benchkit.simulate.drives import propeller_of
from benchkit.simulate.sensors import COLUMNS, Reader, chains_of, scalar_inverse, true_propeller


def test_calibration_errors_have_the_stated_spread(stand: Stand) -> None:
    seeds = 800
    draws = [{c.column: c for c in chains_of(stand, "rack", seed)} for seed in range(seeds)]
    for column, channel in (("tq", "shaft_torque"), ("udc", "dc_voltage"), ("t_air", "air_temp")):
        accuracy = stand.channels[channel].calibration.accuracy
        for stated, errors in (
            (accuracy.of_reading, [d[column].gain_error for d in draws]),
            (accuracy.constant, [d[column].offset_error for d in draws]),
        ):
            # spread of a standard deviation from 800 normal draws: 1/√1600 = 2.5 %; of their mean: 3.5 %
            assert np.std(errors) == pytest.approx(stated, rel=0.08)
            assert abs(np.mean(errors)) <= 0.12 * stated


def test_true_diameter_differs_from_the_nameplate_by_its_uncertainty(stand: Stand) -> None:
    nominal = propeller_of(stand)
    diameters = [true_propeller(nominal, 0.5e-3, seed).diameter_m for seed in range(1000)]
    assert np.std(diameters) == pytest.approx(0.5e-3, rel=0.08)
    assert np.mean(diameters) == pytest.approx(1.30, abs=6e-5)


@pytest.mark.parametrize(
    "curve",
    [
        GainOffset(100.0, -2.5),
        Table((0.0, 1.0, 2.0, 4.0), (10.0, 4.0, 1.0, 0.0)),
        Polynomial((-1.0, 2.0, 0.3), 0.0, 5.0),
    ],
)
def test_the_way_back_through_a_curve(curve: GainOffset | Table | Polynomial) -> None:
    inverse = scalar_inverse(curve)
    raw = np.linspace(0.05, 3.9, 37)
    back = [inverse(v) for v in curve.apply(raw).tolist()]
    np.testing.assert_allclose(back, raw, atol=1e-6)


def test_outside_a_table_nothing_is_measured() -> None:
    inverse = scalar_inverse(Table((0.0, 1.0), (0.0, 10.0)))
    assert isnan(inverse(10.1))
    assert isnan(inverse(-0.1))


def test_lag_is_first_order(stand: Stand) -> None:
    """63.2 % of a step after one time constant (exact), seen through the winding sensor's lag of 1 s."""
    chains = [c for c in chains_of(stand, "rack", 1) if c.column == "t_winding"]
    quiet = [replace(c, sensor=replace(c.sensor, white=0.0), gain_error=0.0, offset_error=0.0) for c in chains]
    reader = Reader(quiet, 1, 0.01)
    before, after = [20.0] * len(COLUMNS), [120.0] * len(COLUMNS)
    assert reader.read(before) == [20.0]
    for _ in range(100):
        (value,) = reader.read(after)
    assert value == pytest.approx(20.0 + 100.0 * 0.6321206, abs=1e-4)


def test_noise_has_its_size_and_the_wander_its_memory(stand: Stand) -> None:
    (chain,) = [c for c in chains_of(stand, "rack", 1) if c.column == "n"]
    reader = Reader([chain], 5, 0.01)
    steady = [2000.0] * len(COLUMNS)
    values = np.array([reader.read(steady)[0] for _ in range(50_000)])
    values -= values.mean()
    # exact: white 0.4 and wander 0.2 rpm; at a lag of one step only the wander is left, 0.2²·e^(-0.01/0.5)
    assert values.std() == pytest.approx(np.hypot(0.4, 0.2), rel=0.05)
    assert np.mean(values[1:] * values[:-1]) == pytest.approx(0.04 * np.exp(-0.02), rel=0.25)


def test_an_unknown_column_is_refused(stand: Stand) -> None:
    spec = stand.sources["rack"]
    columns = tuple("t_windingg" if c == "t_winding" else c for c in spec.format.columns)
    odd = replace(stand, sources={"rack": replace(spec, format=replace(spec.format, columns=columns))})
    with pytest.raises(UsageError, match=r"no column 't_windingg'.*Did you mean 't_winding'\?"):
        chains_of(odd, "rack", 1)


def test_a_column_without_channel_is_sent_without_error(stand: Stand) -> None:
    channels = {k: c for k, c in stand.channels.items() if c.column != "fel"}
    bare = replace(stand, channels=channels)
    (chain,) = [c for c in chains_of(bare, "rack", 1) if c.column == "fel"]
    assert (chain.gain_error, chain.offset_error) == (0.0, 0.0)


def test_digits_follow_the_curve(stand: Stand) -> None:
    # torque resolution 0.002 N·m at 100 N·m per mV/V is 0.00002 mV/V: five digits
    by_column = {c.column: c for c in chains_of(stand, "rack", 1)}
    assert by_column["tq"].digits == 5
    assert by_column["pac"].digits == 4  # 0.1 W sent in kW
    assert by_column["udc"].digits == 2


def test_curves_other_than_straight_lines_reach_the_wire(stand: Stand) -> None:
    table = Table((0.0, 2.0, 4.0), (0.0, 100.0, 300.0))
    winding = replace(stand.channels["winding_temp"], calibration=Calibration(curve=table))
    bent = replace(stand, channels={**stand.channels, "winding_temp": winding})
    (chain,) = [c for c in chains_of(bent, "rack", 1) if c.column == "t_winding"]
    reader = Reader([replace(chain, sensor=replace(chain.sensor, white=0.0))], 1, 0.01)
    assert reader.read([200.0] * len(COLUMNS)) == [pytest.approx(3.0, abs=1e-12)]
