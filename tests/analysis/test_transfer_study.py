"""From the small motor (40 % of the current) to the big one: does the 95 % interval hold the truth?"""

from __future__ import annotations

import pytest

from benchkit.cli.transfer_study import SMALL_SHARE, study


def test_a_few_transfers():
    found = study(6)
    # 18 intervals of 95 %: four misses or more happen in one of a thousand such tests
    assert sum(found["inside_percent"]) / 3.0 > 80.0
    assert max(found["median_half_width_percent"]) < 10.0
    assert found["without_switching_refused_percent"] == 100.0
    assert found["all_marked_extrapolated"]
    assert found["currents_a"][-1] > 2.2 * SMALL_SHARE * 150.0


@pytest.mark.soak
def test_two_hundred_transfers():
    found = study(200)
    assert all(share >= 93.0 for share in found["inside_percent"])
    assert found["without_switching_refused_percent"] == 100.0
    assert found["full_model_refused_percent"] <= 1.0
    assert found["first_run_agrees_percent"] >= 92.0
