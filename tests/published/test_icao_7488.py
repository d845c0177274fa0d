"""ICAO Doc 7488/3 (1993), Manual of the ICAO Standard Atmosphere: rows at geometric altitude.

Second-hand transcription (project airinnova/ambiance, tests/table_data.py); U.S. Standard Atmosphere 1976 rows
(pdas.com, as transcribed in project CalebBell/fluids) are read where the reference data are present.
"""

from __future__ import annotations

import csv
import math

import pytest

from benchkit.analysis import air

ROWS = [
    (0.0, "288.15", "101325", "1.225", "340.294"),
    (1000.0, "281.651", "89876.3", "1.11166", "336.435"),
    (2000.0, "275.154", "79501.4", "1.00655", "332.532"),
]


@pytest.mark.parametrize("row", ROWS)
def test_row(row, published):
    altitude, T, p, rho, a = row
    state = air.isa(altitude)
    published(f"temperature K at {altitude:.0f} m", state.temp_c + 273.15, T)
    published(f"pressure Pa at {altitude:.0f} m", state.pressure_pa, p)
    published(f"density kg/m³ at {altitude:.0f} m", state.density_kgm3, rho)
    published(f"speed of sound m/s at {altitude:.0f} m", state.speed_of_sound_mps, a)


def _table(path):
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_all_rows_of_the_icao_table(published, reference):
    rows = _table(reference("air/icao_doc7488_3_rows.csv"))
    assert len(rows) == 9
    for row in rows:
        h = float(row["h_m"])
        state = air.isa(h)
        published(f"geopotential m at {h:.0f} m", air.geopotential_m(h), row["H_m"])
        published(f"temperature K at {h:.0f} m", state.temp_c + 273.15, row["T_K"])
        # H is printed to whole metres; where a row depends on which of the two is exact, half a metre is allowed
        whole = 1.0 if h == -2500.0 or h > 11000.0 else 0.0
        scale = 0.5 * whole / 6300.0  # half a metre over the scale height
        for name, ours, printed in (
            ("pressure Pa", state.pressure_pa, row["p_Pa"]),
            ("density kg/m³", state.density_kgm3, row["rho_kg_m3"]),
        ):
            # six significant digits; the transcription writes 135205 as 135205.0
            digit = 0.5 * 10.0 ** max(-len(printed.partition(".")[2]), math.floor(math.log10(float(printed))) - 5)
            published(f"{name} at {h:.0f} m", ours, printed, tolerance=digit + scale * float(printed))
        # 295.0698 at 216.65 K is printed as 295.069: cut, not rounded
        cut = 0.001 if row["a_m_s"] == "295.069" else None
        published(f"speed of sound m/s at {h:.0f} m", state.speed_of_sound_mps, row["a_m_s"], tolerance=cut)
        mu = float(row["mu_Pa_s"])
        published(f"viscosity Pa·s at {h:.0f} m", state.viscosity_pas, f"{mu:.4e}")


def test_us_standard_1976(published, reference):
    for row in _table(reference("air/us_standard_1976_rows.csv")):
        z = float(row["z_m"])
        state = air.isa(z)
        # the transcription rounds to 5 figures, its own project compares at 5e-5
        published(
            f"density kg/m³ at {z:.0f} m",
            state.density_kgm3,
            row["rho_kg_m3"],
            tolerance=5e-5 * float(row["rho_kg_m3"]),
        )
        published(f"speed of sound m/s at {z:.0f} m", state.speed_of_sound_mps, row["a_m_s"])
