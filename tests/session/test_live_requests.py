"""Set points, photos and proofs handed to a recorder that runs."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchkit.errors import UsageError
from benchkit.model.events import EventKind
from benchkit.model.proof import LimitProof, Proof, chain_hash
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.protect.permissives import protection_hash
from benchkit.runfile.photos import photo_folder
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.photos import keep_photo
from benchkit.session.recorder import Recorder
from benchkit.session.requests import answer_request
from benchkit.session.signing import signed
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.clock import HostClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

JPEG = b"\xff\xd8\xff\xe0" + bytes(60)


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.fixture
def recorder(loaded: LoadedStand, tmp_path: Path) -> Iterator[Recorder]:
    """Has taken a tenth of a second of a turning stand in."""
    rows, _ = steady_record(loaded.stand, Load.PROPELLER, 2000.0, 0.0, seconds=0.3, rate_hz=500.0, seed=4)
    lines = record_bytes(loaded.stand, rows, seed=4).splitlines(keepends=True)
    with closing(Desk()) as desk:
        clock = HostClock()
        source = MemorySource(loaded.stand, [b"".join(lines[:50]), b"".join(lines[50:100])], clock)
        made = Recorder(loaded.stand, header_for(loaded), [source], tmp_path / "run.h5", clock, desk)
        made.begin()
        while not made.lanes["rack"].rows:
            made.step()
        yield made
        made.ask_to_end()
        while not made.step():
            pass
        made.finish()


def ask(recorder: Recorder, do: str, **arguments: Any) -> dict[str, Any]:
    return answer_request(recorder, {"do": do, "who": "Ada", **arguments})


def test_a_set_point_is_moved_told_and_kept_in_the_run(recorder: Recorder) -> None:
    answer = ask(recorder, "set_limit", limit="winding_hot", set_point=120.0, seen=140.0, reason="first run")
    assert answer == {"ok": True, "done": ["winding_hot: set point 120"]}
    status = recorder.status(recorder.clock.now_ns())
    assert status.protection.tightened == {"winding_hot": 120.0}
    stale = ask(recorder, "set_limit", limit="winding_hot", set_point=110.0, seen=140.0)
    assert "somebody else has moved this set point meanwhile" in stale["error"]
    loose = ask(recorder, "set_limit", limit="winding_hot", set_point=141.0)
    assert "looser than the profile" in loose["error"]
    for wrong in ("120", None, True, float("nan")):
        assert not ask(recorder, "set_limit", limit="winding_hot", set_point=wrong)["ok"]
    recorder.ask_to_end()
    while not recorder.step():
        pass
    recorder.finish()
    with open_run(recorder.run_path) as run:
        told = [e for e in run.events() if e.kind is EventKind.LIMIT_SET]
    assert [(e.data["limit"], e.data["before"], e.data["set_point"], e.data["who"]) for e in told] == [
        ("winding_hot", 140.0, 120.0, "Ada")
    ]


def test_a_photo_is_named_with_its_hash(recorder: Recorder, tmp_path: Path) -> None:
    source = tmp_path / "Guard, closed.JPG"
    source.write_bytes(JPEG)
    photo = keep_photo(source, recorder.run_path)
    assert photo.path == photo_folder(recorder.run_path) / "001_Guard_closed.jpg"
    assert photo.sha256 == hashlib.sha256(JPEG).hexdigest()
    assert keep_photo(source, recorder.run_path).path.name == "002_Guard_closed.jpg"
    arguments = {"photo": photo.path.name, "sha256": photo.sha256, "bytes": photo.size, "text": "guard"}
    assert ask(recorder, "attach", **arguments)["ok"]
    for wrong in ({"photo": "../run.h5"}, {"photo": "x.txt"}, {"sha256": "00"}, {"bytes": 0}):
        assert not ask(recorder, "attach", **{**arguments, **wrong})["ok"]


@pytest.mark.parametrize(
    ("name", "content", "text"),
    [
        ("a.jpg", b"GIF89a", "its content is not what its name says"),
        ("a.gif", JPEG, "not a photo"),
        ("none.jpg", None, "cannot be read"),
    ],
)
def test_what_is_no_photo(tmp_path: Path, name: str, content: bytes | None, text: str) -> None:
    run = tmp_path / "run.h5"
    run.write_bytes(b"")
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(UsageError, match=text):
        keep_photo(tmp_path / name, run)
    assert not photo_folder(run).exists()


def test_a_photo_for_a_run_on_another_machine_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(JPEG)
    with pytest.raises(UsageError, match="does not lie on this machine"):
        keep_photo(tmp_path / "a.jpg", tmp_path / "elsewhere" / "run.h5")


def test_a_proof_is_handed_in_while_the_run_goes_on(recorder: Recorder, loaded: LoadedStand, tmp_path: Path) -> None:
    stand = loaded.stand
    limits = stand.limit_set
    proof = Proof(
        stand=stand.name, limit_set=limits.name, revision=limits.revision, limit_set_sha256=limits.sha256,
        protection_hash=protection_hash(stand), chain_hash=chain_hash(stand),
        proven_utc=datetime.now(UTC).isoformat(), who="Ada", host="bench", software_version="0", is_simulated=True,
        largest_speed_rpm=0.0, limits=(),
    )  # fmt: skip
    found = tuple(LimitProof(x.name, "", x.severity.value, x.kind.value, x.channel, True) for x in limits.limits)
    whole = signed(replace(proof, limits=found), tmp_path / "key.pem")
    assert ask(recorder, "proof", record=whole)["done"][0].startswith("limits proven by Ada at ")
    record = signed(proof, tmp_path / "key.pem")
    answer = ask(recorder, "proof", record=record)
    # a record without limits proves nothing; the reason is that of benchkit record --proof
    assert not answer["ok"]
    assert "the limit set is not proven by this record" in answer["error"]
    record["proof"]["who"] = "Eve"
    assert "the signature does not fit" in ask(recorder, "proof", record=record)["error"]
    assert "not a signed proof record" in ask(recorder, "proof", record="x")["error"]
