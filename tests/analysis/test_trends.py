"""Levels of runs against least squares of a library, and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.trends import line_over, mean_of_runs, run_levels, set_point_cells


def made(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sixty readings of nine runs at six set-points, unequal numbers, some runs at few."""
    random = np.random.default_rng(seed)
    runs, cells = random.integers(0, 9, 60), random.integers(0, 6, 60)
    return runs, cells, 10.0 * runs + 100.0 * cells + random.normal(0.0, 1.0, 60)


@pytest.mark.parametrize("seed", range(3))
def test_levels_are_those_of_ordinary_least_squares(seed: int) -> None:
    """statsmodels OLS on dummy variables; the level of a run is a linear contrast of its parameters."""
    api = pytest.importorskip("statsmodels.api")
    runs, cells, values = made(seed)
    found = run_levels(runs, cells, values)
    labels, places = np.unique(runs), np.unique(cells)
    design = np.hstack([runs[:, None] == labels, cells[:, None] == places[1:]]).astype(float)
    fit = api.OLS(values, design).fit()
    contrasts = np.hstack([np.eye(len(labels)), np.full((len(labels), len(places) - 1), 1.0 / len(places))])
    test = fit.t_test(contrasts)
    assert found.runs.tolist() == labels.tolist()
    assert found.level == pytest.approx(test.effect, rel=1e-10)
    assert found.u == pytest.approx(test.sd.ravel(), rel=1e-8)
    assert found.dof == fit.df_resid
    assert found.cells == len(places)


def test_a_run_that_misses_a_set_point_is_not_thought_lower() -> None:
    """Exact: y = run + set-point without scatter. Run 1 lacks the set-point that asks for most."""
    found = run_levels([0, 0, 0, 1, 1], [0, 1, 2, 0, 1], [10.0, 20.0, 60.0, 11.0, 21.0])
    # mean of set-points 30; run 1 is 1 above run 0
    assert found.level == pytest.approx([30.0, 31.0], abs=1e-12)
    assert found.dof == 1
    assert found.u == pytest.approx([0.0, 0.0], abs=1e-12)


def test_runs_without_a_shared_set_point_are_left_out() -> None:
    found = run_levels([0, 0, 1, 1, 7, 8], [0, 1, 1, 2, 5, 6], [1.0, 2.0, 3.0, 4.0, 9.0, np.nan])
    assert found.runs.tolist() == [0, 1]
    assert found.left_out.tolist() == [7, 8]
    assert np.isnan(found.u).all()
    nothing = run_levels([0], [0], [np.nan])
    assert (nothing.level.size, nothing.left_out.tolist()) == (0, [0])


def test_the_order_of_the_readings_makes_no_difference() -> None:
    runs, cells, values = made(9)
    order = np.random.default_rng(1).permutation(len(runs))
    first, other = run_levels(runs, cells, values), run_levels(runs[order], cells[order], values[order])
    assert first.level == pytest.approx(other.level, rel=1e-12)
    places = np.column_stack([1000.0 * cells + values / 1e3, 7.0 * runs])
    same = set_point_cells(places, (25.0, 2.0))
    mixed = set_point_cells(places[order], (25.0, 2.0))
    assert mixed.tolist() == same[order].tolist()
    assert len(np.unique(same)) == len({(r, c) for r, c in zip(runs.tolist(), cells.tolist(), strict=True)})


def test_a_line_is_that_of_a_library() -> None:
    from scipy.stats import linregress

    random = np.random.default_rng(3)
    x = random.uniform(0.0, 50.0, 12)
    y = 3.0 - 0.2 * x + random.normal(0.0, 0.5, 12)
    reference = linregress(x, y)
    found = line_over([*x, np.nan], [*y, 1.0], "W/h")
    assert found is not None
    assert (found.value, found.u, found.dof) == pytest.approx((reference.slope, reference.stderr, 10.0), rel=1e-10)
    assert line_over([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], "1/h") is None
    assert line_over([1.0, 2.0], [1.0, 2.0], "1/h") is None


def test_one_run_says_nothing_about_scatter() -> None:
    found = mean_of_runs([4.0], "W")
    assert found.value == 4.0
    assert np.isnan(found.u)
