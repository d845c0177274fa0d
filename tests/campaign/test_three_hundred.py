"""300 runs, ten of them damaged: a pool and two Dask workers give equal tables, also with a worker killed midway."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.campaign.campaign import Settings, run_campaign
from tests.campaign.cluster import Cluster, same_tables
from tests.campaign.made_runs import damage, make_runs

pytest.importorskip("distributed")
pytestmark = [pytest.mark.soak, pytest.mark.timeout(3000), pytest.mark.filterwarnings("default")]


def test_three_hundred_runs(tmp_path: Path, cluster: Cluster) -> None:
    folder = tmp_path / "runs"
    paths = make_runs(folder, 300)
    bad = paths[7::30]
    assert len(bad) == 10
    for kind, path in enumerate(bad):
        damage(path, kind)
    pool = run_campaign(folder, tmp_path / "pool", Settings(workers=2))
    assert {each.file for each in pool.campaign.skipped} == {path.relative_to(folder).as_posix() for path in bad}
    assert len(pool.campaign.runs) == 290

    there = run_campaign(folder, tmp_path / "there", Settings(scheduler=cluster.address))
    assert there.campaign == pool.campaign
    same_tables(tmp_path / "pool", tmp_path / "there")

    def kill(done: int, total: int) -> None:
        if done == 145:
            cluster.workers[1].kill()

    killed = run_campaign(folder, tmp_path / "killed", Settings(scheduler=cluster.address), kill)
    assert cluster.workers[1].wait() != 0
    assert killed.done == 290
    assert killed.campaign == pool.campaign
    same_tables(tmp_path / "pool", tmp_path / "killed")
