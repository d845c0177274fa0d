"""The request ``exclude``: a stretch of the run is kept out of maps and fits; the event log has reason and author."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchkit.model.events import EventKind
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.reader import open_run
from tests.session.test_tare import Bench, Lines, lines_of


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.fixture(scope="module")
def lines(loaded: LoadedStand) -> Lines:
    return lines_of(loaded.stand)


@pytest.fixture(scope="module")
def bench(loaded: LoadedStand, lines: Lines, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One run for all questions; the last test ends it and reads its log."""
    bench = Bench(loaded, lines, tmp_path_factory.mktemp("exclude") / "run.h5")
    bench.run(3.0)
    yield bench
    if not bench.is_over:
        bench.finish()


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"from_s": 2.0, "to_s": 1.0, "reason": "x"}, "not a stretch of this run"),
        ({"from_s": 1.0, "to_s": 1e6, "reason": "x"}, "not a stretch of this run"),
        ({"from_s": "1", "to_s": 2.0, "reason": "x"}, "not a stretch of time"),
        ({"from_s": True, "to_s": 2.0, "reason": "x"}, "not a stretch of time"),
        ({"from_s": 1.0, "to_s": 2.0, "reason": "  "}, "no reason or no name"),
        ({"from_s": 1.0, "to_s": 2.0, "reason": "x", "who": ""}, "no reason or no name"),
    ],
)
def test_what_says_too_little_is_refused(bench: Bench, body: dict[str, object], words: str) -> None:
    answer = bench.ask(do="exclude", **body)
    assert not answer["ok"]
    assert words in str(answer["error"])


def test_it_is_in_the_log_of_the_run(bench: Bench) -> None:
    answer = bench.ask(do="exclude", from_s=1.0, to_s=2.5, reason="hall gate open")
    assert answer["ok"], answer
    bench.finish()
    with open_run(bench.path) as run:
        (event,) = [e for e in run.events() if e.kind is EventKind.EXCLUDED_POINT]
    assert event.data == {"from_s": 1.0, "to_s": 2.5, "reason": "hall gate open", "who": "bench crew"}
