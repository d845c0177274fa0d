"""A dozen made runs, written once; each test gets its own folder of links to copies."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.campaign.cluster import Cluster, running
from tests.campaign.made_runs import make_runs

COUNT = 12


@pytest.fixture(scope="session")
def _made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    make_runs(folder, COUNT)
    return folder


@pytest.fixture
def runs(_made_once: Path, tmp_path: Path) -> Path:
    """A folder of twelve runs in two folders; a test may do to it what it likes."""
    return Path(shutil.copytree(_made_once, tmp_path / "runs"))


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A scheduler with two workers; what a test kills stays dead for those behind it in its file."""
    with running(tmp_path_factory.mktemp("cluster")) as made:
        yield made
