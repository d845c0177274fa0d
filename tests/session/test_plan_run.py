"""A plan in a real recorder on a real link: requests, set-points on the wire, a killed process, and the account.

What is true comes from the plant, which lives in a process of its own and is never killed (``witnessed_stand.py``): the
set-points that reached it, and its own speed and torque. What is counted must be exact. Of time the account may lack
what no recorder can have: the rows on their way when a stop reached the plant, the rows since the last look (10 ms) of
a process that was killed, and what the plant still held while the next set-points were on their way. That is some
milliseconds of the *computer* a stretch, so a stand that runs faster than real time lacks so many times as much. More
than the plant held may never be in it, but for the edge of the tolerance as a sensor sees it.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.events import EventKind
from benchkit.runfile.reader import open_run
from tests.session.plan_stops import STOPS, Played, play
from tests.session.plan_truth import credited

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of this kind are not there")
EDGE_S = 0.1
"""A sensor that is 0.5 N·m off sees a ramp of 10 N·m/s reach the band so much earlier [s of the stand]."""
LATE_S = 0.02
"""Two looks of a computer that has other things to do, a stretch, in the mean [s of the computer]."""


def judge(played: Played, pace: float) -> str:
    """Assert that the account is that of the plant; returns the figures in a line."""
    account, stops = played.account, sum(played.stops.values())
    assert dict(account.stops) == dict(played.stops)
    assert account.starts == len(played.begins) == stops + 1
    assert account.recordings == len(played.runs) == len(played.kills) + played.stops["recording ended"] + 1
    assert account.taken == len(played.wanted)
    held = [stretch.held_s for stretch in played.truth]
    lacks = [true - told for true, told in zip(held, played.good_by_stretch(), strict=True)]
    truth = credited(played.truth, played.wanted)
    shares = ", ".join(f"{n} {s.credited_s:.2f} of {truth[n]:.2f} s" for n, s in account.ratings.items())
    doubt_s = sum(stretch.doubt_s for stretch in played.truth)
    line = (
        f"{stops} stops, {len(played.kills)} of them kills, {played.uninvited} uninvited, at {pace:g} times real "
        f"time: in tolerance {account.good_s:.2f} s on the account, {sum(held):.2f} s by the plant (and "
        f"{doubt_s:.2f} s while processes died); lacking by stretch {np.mean(lacks):.4f} s "
        f"in the mean, {min(lacks):.3f} to {max(lacks):.3f} s; credited: {shares}"
    )
    most_s = max(1.0, LATE_S * pace * len(lacks))
    assert -EDGE_S <= min(lacks) <= max(lacks) <= 1.0, line
    assert sum(lacks) <= most_s, line
    assert account.good_s == pytest.approx(sum(held) - sum(lacks)), line
    for rating, share in account.ratings.items():
        assert share.cycles == sum(one.rating == rating for one in played.wanted.values())
        assert -EDGE_S <= truth[rating] - share.credited_s <= most_s, line
    return line


def test_a_plan_goes_on_after_its_recorder_was_killed(tmp_path: Path) -> None:
    played = play(tmp_path, ["kill", "halt"], 2, 9.0, 4.0, pace=10.0, seed=3, longest_quiet_s=0.7)
    judge(played, 10.0)
    with open_run(played.runs[-1]) as run:
        told = [event for event in run.events() if event.kind is EventKind.PLAN]
    kinds = [event.data["entry"] for event in told]
    assert "opened" in kinds
    assert "resumed" in kinds
    assert kinds[-1] == "account"
    assert told[-1].data["taken"] == 2


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_the_account_is_that_of_the_plant_after_two_hundred_stops(tmp_path: Path) -> None:
    times = (25, 15, 45, 25, 30, 25, 10, 10, 15)
    kinds = [kind for kind, n in zip(STOPS, times, strict=True) for _ in range(n)]
    assert len(kinds) == 200
    played = play(tmp_path, kinds, 8, 170.0, 2.5, pace=1.0, seed=4, longest_quiet_s=6.0)
    print(judge(played, 1.0))
