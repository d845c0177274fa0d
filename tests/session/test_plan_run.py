"""A plan in a real recorder on a real link: requests, set-points on the wire, a killed process, and the account."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.model.events import EventKind
from benchkit.runfile.reader import open_run
from tests.session.plan_kills import play


def test_a_plan_goes_on_after_its_recorder_was_killed(tmp_path: Path) -> None:
    account, held_s, runs = play(tmp_path, 1, 6.0, 2, 3)
    assert account.stops == {"recording cut off": 1}
    assert (account.starts, account.taken, account.recordings) == (2, 2, 2)
    # the run files know the commands and the rows; a look of the loop, 10 ms, is 0.2 s of this stand
    assert account.good_s == pytest.approx(held_s, abs=1.0)
    assert account.ratings["continuous"].credited_s == pytest.approx(12.0, abs=1.0)
    assert account.ratings["continuous"].cycles == 2
    with open_run(runs[-1]) as run:
        told = [event for event in run.events() if event.kind is EventKind.PLAN]
    kinds = [event.data["entry"] for event in told]
    assert kinds[:2] == ["stopped", "opened"]
    assert "resumed" in kinds
    assert kinds[-1] == "account"
    assert told[-1].data["taken"] == 2


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_the_account_is_true_after_twenty_kills(tmp_path: Path) -> None:
    account, held_s, _ = play(tmp_path, 20, 60.0, 6, 4)
    assert account.stops == {"recording cut off": 20}
    # a killed run may lack what was to be handed over next: 33 ms and a busy moment, some 0.2 s of this stand a kill
    assert account.good_s == pytest.approx(held_s, abs=20 * 0.2 + 1.0)
    assert account.ratings["continuous"].credited_s == pytest.approx(360.0, abs=1.5)
