"""A campaign on a real Dask scheduler with two workers on loopback: the same tables; a worker may be killed."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from benchkit.campaign.campaign import Settings, run_campaign
from benchkit.errors import LinkError
from tests.campaign.cluster import Cluster, same_tables
from tests.campaign.made_runs import damage

pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("default")  # its own threads and sockets, not ours


def test_a_cluster_gives_the_tables_of_this_process(runs: Path, tmp_path: Path, cluster: Cluster) -> None:
    damage(runs / "week-2" / "run-00003.h5", 0)
    damage(runs / "week-2" / "run-00001.h5", 4)
    for path in sorted(runs.rglob("*.h5"))[8:]:  # the first six and 1, 3
        path.unlink()
    there = run_campaign(runs, tmp_path / "there", Settings(scheduler=cluster.address))
    here = run_campaign(runs, tmp_path / "here", Settings(workers=0))
    assert there.campaign == here.campaign
    assert len(there.campaign.skipped) == 2
    same_tables(tmp_path / "here", tmp_path / "there")


def test_a_killed_worker_takes_no_run_with_it(runs: Path, tmp_path: Path, cluster: Cluster) -> None:
    """The last of the module: one worker is left."""

    def kill(done: int, total: int) -> None:
        if done == 3:
            cluster.workers[0].send_signal(signal.SIGKILL)
            cluster.workers[0].wait()

    analysis = "tests.campaign.own_analyses:longest"
    there = run_campaign(runs, tmp_path / "there", Settings(analysis, scheduler=cluster.address), kill)
    assert cluster.workers[0].returncode == -signal.SIGKILL
    assert (len(there.campaign.runs), there.campaign.skipped) == (12, ())
    here = run_campaign(runs, tmp_path / "here", Settings(analysis, workers=0))
    assert there.campaign == here.campaign
    same_tables(tmp_path / "here", tmp_path / "there")


def test_no_scheduler_there(tmp_path: Path, runs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchkit.campaign.executors.CONNECT_S", 0.5)
    with pytest.raises(LinkError, match="the scheduler does not answer"):
        run_campaign(
            runs, tmp_path / "out", Settings("tests.campaign.own_analyses:longest", scheduler="tcp://127.0.0.1:9")
        )
