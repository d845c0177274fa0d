"""Dashboards on other machines: real sockets, with keys and without, and ten thousand messages that are none.

The mechanism is CURVE of ZeroMQ (rfc.zeromq.org, 26/CURVEZMQ); a relay between the two records and mangles what goes
over the wire.
"""

from __future__ import annotations

import json
import random
import socket
import stat
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

import pytest
import zmq

from benchkit.errors import LinkError, RefusedError, UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.session import client as client_module
from benchkit.session.client import RecorderClient, read_live_file
from benchkit.session.desk import Desk
from benchkit.session.door import Door, open_door
from benchkit.session.keys import (
    Grant,
    ViewerKeys,
    curve_text,
    grant_pass,
    hex_of,
    make_stand_key,
    new_pair,
    read_keyring,
    withdraw,
    write_pass,
)
from benchkit.session.messages import Endpoints, encode
from benchkit.session.process import write_live_file
from benchkit.session.recorder import Recorder
from benchkit.session.requests import answer_request
from benchkit.sources.clock import HostClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource
from tests.session.test_messages import STATUS

FUZZED = 10_000


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


class Serving:
    """A desk with keys, turned by a thread as a recorder turns it; requests go to a recorder that never starts."""

    def __init__(self, folder: Path, loaded: LoadedStand) -> None:
        make_stand_key(folder)
        self.folder = folder
        self.watch = self._grant("Wim", Grant.WATCH)
        self.control = self._grant("Ada", Grant.CONTROL)
        self.desk = Desk(door=open_door(folder))
        clock = HostClock()
        source = MemorySource(loaded.stand, [], clock)
        self.recorder = Recorder(loaded.stand, header_for(loaded), [source], folder / "run.h5", clock, self.desk)
        self.asked: list[dict[str, object]] = []
        self.lock = threading.Lock()
        """Who holds it turns the desk."""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="test desk")
        self._thread.start()

    def _grant(self, name: str, grant: Grant) -> ViewerKeys:
        _, keys = grant_pass(self.folder, name, grant)
        assert keys is not None
        return keys

    def endpoints(self, keys: ViewerKeys | None) -> Endpoints:
        return Endpoints(self.desk.publish_address, self.desk.request_address, keys=keys)

    def _run(self) -> None:
        while not self._stop.wait(0.002):
            with self.lock:
                self.turn()
                self.desk.publish(STATUS)

    def turn(self) -> None:
        """Answer what waits, and a request that was not understood as well."""
        before = -1
        while before != (before := self.desk.counts.total):
            while (request := self.desk.next_request()) is not None:
                self.asked.append(request)
                self.desk.answer(answer_request(self.recorder, request))

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.desk.close()


@pytest.fixture(scope="module")
def shared_serving(tmp_path_factory: pytest.TempPathFactory, loaded: LoadedStand) -> Iterator[Serving]:
    with closing(Serving(tmp_path_factory.mktemp("keys"), loaded)) as made:
        yield made


@pytest.fixture
def serving(shared_serving: Serving) -> Serving:
    shared_serving.asked.clear()
    return shared_serving


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who gets no answer does not wait long for it here."""
    monkeypatch.setattr(client_module, "REQUEST_TIMEOUT_S", 0.4)


def until(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "did not come about"
        time.sleep(0.005)


def test_a_known_key_sees_and_commands_under_its_name(serving: Serving) -> None:
    with RecorderClient(serving.endpoints(serving.control)) as client:
        assert client.receive(5.0) == STATUS
        client.request("mark", text="here", who="Ada Rush")
        assert client.may_command
    assert serving.asked[-1]["who"] == "Ada Rush (key of Ada)"


def test_a_key_that_may_watch_sees_and_commands_nothing(serving: Serving) -> None:
    before = serving.desk.counts.denied
    with RecorderClient(serving.endpoints(serving.watch)) as client:
        assert client.describe()["header"]["run_id"] == "test_run"
        assert not client.may_command
        assert client.receive(5.0) == STATUS
        commands = (
            "arm",
            "start",
            "stop",
            "reset",
            "set",
            "tare",
            "mark",
            "acknowledge",
            "shelve",
            "set_limit",
            "close",
        )
        for do in commands:
            with pytest.raises(RefusedError, match="this key may watch, and command nothing"):
                client.request(do, who="Wim", name="speed", value=100.0)
    assert serving.desk.counts.denied == before + len(commands)
    assert [x["do"] for x in serving.asked] == ["describe"]
    assert serving.recorder.protection.state is State.STANDBY


@pytest.mark.usefixtures("impatient")
def test_a_wrong_key_and_no_key_see_nothing_and_are_counted(serving: Serving) -> None:
    counts = serving.desk.counts
    stranger = new_pair()
    unknown = ViewerKeys(stranger.public, stranger.secret, serving.watch.stand_public)
    other_stand = replace(serving.watch, stand_public=stranger.public)
    for keys, count in ((unknown, "unknown_keys"), (other_stand, "broken"), (None, "broken")):
        before = getattr(counts, count)
        with RecorderClient(serving.endpoints(keys)) as client:
            with pytest.raises(LinkError, match="no answer"):
                client.describe()
            assert client.receive(0.2) is None
        until(lambda count=count, before=before: getattr(counts, count) > before)
    assert serving.asked == []


def test_a_key_that_is_withdrawn_asks_nothing_more(serving: Serving, impatient: None) -> None:
    _, keys = grant_pass(serving.folder, "Guest", Grant.CONTROL)
    with RecorderClient(serving.endpoints(keys)) as client:
        client.describe()
        withdraw(serving.folder, "Guest")
        with pytest.raises(RefusedError, match="not known any more"):
            client.request("mark")
    with RecorderClient(serving.endpoints(keys)) as client, pytest.raises(LinkError, match="no answer"):
        client.describe()


def test_a_key_that_is_withdrawn_sees_nothing_more_and_the_others_come_back(serving: Serving) -> None:
    _, keys = grant_pass(serving.folder, "Visitor", Grant.WATCH)
    with RecorderClient(serving.endpoints(keys)) as guest, RecorderClient(serving.endpoints(serving.watch)) as other:
        until(lambda: published(guest) > 0)
        until(lambda: published(other) > 0)
        withdraw(serving.folder, "Visitor")
        refused = serving.desk.counts.unknown_keys
        until(lambda: serving.desk.counts.unknown_keys > refused)  # cut off, and not let in again
        published(guest)
        until(lambda: published(other) > 0)
        assert published(guest) == 0


def published(client: RecorderClient) -> int:
    """How many messages have come since this was asked last."""
    return sum(1 for _ in iter(client.receive, None))


class Relay:
    """Between a client and the recorder: keeps what the client sends, and changes what a rule says."""

    def __init__(self, target: str, change: Callable[[bytes], bytes] = bytes) -> None:
        host, port = target.removeprefix("tcp://").rsplit(":", 1)
        self._target = (host, int(port))
        self.change = change
        self.sent: list[bytes] = []
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"tcp://127.0.0.1:{self._listening.getsockname()[1]}"
        self._open: list[socket.socket] = [self._listening]
        self._threads = [threading.Thread(target=self._accept, name="relay")]
        self._threads[0].start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
                far = socket.create_connection(self._target)
            except OSError:
                return
            self._open += [near, far]
            for one, other, keep in ((near, far, True), (far, near, False)):
                self._threads.append(threading.Thread(target=self._pass, args=(one, other, keep), name="relay"))
                self._threads[-1].start()

    def _pass(self, one: socket.socket, other: socket.socket, keep: bool) -> None:
        try:
            while data := one.recv(65536):
                if keep:
                    self.sent.append(data)
                    data = self.change(data)
                other.sendall(data)
        except OSError:
            pass
        finally:
            for end in (one, other):
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        for end in self._open:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        for thread in self._threads:
            thread.join()
        for end in self._open:
            end.close()


def replay(target: str, pieces: list[bytes]) -> bytes:
    """Say again, on a new connection, what another client said; returns what came back."""
    host, port = target.removeprefix("tcp://").rsplit(":", 1)
    heard = b""
    with socket.create_connection((host, int(port)), timeout=2.0) as line:
        line.settimeout(0.3)
        try:
            for piece in pieces:
                line.sendall(piece)
                heard += line.recv(65536)
            while data := line.recv(65536):
                heard += data
        except OSError:
            pass
    return heard


def test_a_recorded_command_said_again_does_nothing(serving: Serving) -> None:
    with closing(Relay(serving.desk.request_address)) as relay:
        endpoints = Endpoints(serving.desk.publish_address, relay.address, keys=serving.control)
        with RecorderClient(endpoints) as client:
            client.request("mark", text="once", who="Ada")
        pieces = list(relay.sent)
    assert not any(b"once" in piece for piece in pieces), "what goes over the wire can be read"
    assert [x["do"] for x in serving.asked] == ["mark"]
    before = serving.desk.counts.broken
    for _ in range(5):
        replay(serving.desk.request_address, pieces)
    until(lambda: serving.desk.counts.broken >= before + 5)
    assert [x["do"] for x in serving.asked] == ["mark"]


@pytest.mark.usefixtures("impatient")
def test_a_command_that_is_mangled_on_the_way_does_nothing(serving: Serving) -> None:
    before = serving.desk.counts.broken

    def flip(data: bytes) -> bytes:
        # MESSAGE commands of CURVE carry the request; one bit of the last byte of the box
        return data[:-1] + bytes([data[-1] ^ 1]) if b"\x07MESSAGE" in data else data

    with closing(Relay(serving.desk.request_address, flip)) as relay:
        endpoints = Endpoints(serving.desk.publish_address, relay.address, keys=serving.control)
        with RecorderClient(endpoints) as client, pytest.raises(LinkError, match="no answer"):
            client.request("mark", text="mangled", who="Ada")
    assert serving.asked == []
    until(lambda: serving.desk.counts.broken > before)


def mangled(random_: random.Random, good: bytes) -> bytes:
    """A message with some bytes changed, cut out, doubled, or all of it noise."""
    data = bytearray(good)
    how = random_.randrange(5)
    if how == 0:
        for _ in range(random_.randint(1, 8)):
            data[random_.randrange(len(data))] = random_.randrange(256)
    elif how == 1:
        del data[random_.randrange(len(data)) :]
    elif how == 2:
        data *= random_.randint(2, 5)
    elif how == 3:
        data = bytearray(random_.randbytes(random_.randint(0, 200)))
    else:
        at = random_.randrange(len(data))
        data[at : at + random_.randint(1, 6)] = b'\x00\xff"\\{}[]'[: random_.randint(0, 8)]
    return bytes(data)


def test_ten_thousand_mangled_requests_change_nothing_and_are_counted(serving: Serving) -> None:
    """From a key that may watch only, and in a form that REQ would never send: several frames, none, noise."""
    rng = random.Random(5)
    good = json.dumps({"do": "start", "who": "Wim", "text": "x"}).encode()
    before = (serving.desk.counts.not_understood, serving.desk.counts.denied, serving.recorder.protection.state)
    described = 0
    context = zmq.Context()
    line = context.socket(zmq.DEALER)
    try:
        for name, text in zip(("publickey", "secretkey", "serverkey"), _texts(serving.watch), strict=True):
            setattr(line, f"curve_{name}", text)
        line.connect(serving.desk.request_address)
        answers = 0
        for done in range(FUZZED):
            body = mangled(rng, good)
            extra = [rng.randbytes(9)] * rng.randrange(1, 3) if rng.random() < 0.1 else []
            line.send_multipart([b"", body, *extra])
            if done % 500 != 499:
                continue
            with serving.lock:
                end = time.monotonic() + 20.0
                while answers <= done and time.monotonic() < end:
                    serving.turn()
                    while answers <= done and line.poll(0):
                        described += bool(json.loads(line.recv_multipart()[-1])["ok"])
                        answers += 1
    finally:
        line.close(linger=0)
        context.term()
    counts = serving.desk.counts
    assert answers == FUZZED
    assert described == 0
    assert counts.not_understood - before[0] + counts.denied - before[1] == FUZZED
    assert serving.asked == []
    assert serving.recorder.protection.state is before[2]
    with RecorderClient(serving.endpoints(serving.control)) as client:
        client.request("mark", text="still there", who="Ada")


def _texts(keys: ViewerKeys) -> tuple[bytes, bytes, bytes]:
    return curve_text(keys.public), curve_text(keys.secret), curve_text(keys.stand_public)


def fuzz_handshakes(serving: Serving, count: int) -> None:
    with closing(Relay(serving.desk.request_address)) as relay:
        endpoints = Endpoints(serving.desk.publish_address, relay.address, keys=serving.control)
        with RecorderClient(endpoints) as client:
            client.describe()
        pieces = list(relay.sent)
    serving.asked.clear()
    before = serving.desk.counts.broken
    rng = random.Random(6)
    host, port = serving.desk.request_address.removeprefix("tcp://").rsplit(":", 1)
    for _ in range(count):
        with socket.create_connection((host, int(port)), timeout=5.0) as line:
            line.sendall(pieces[0] if rng.random() < 0.5 else b"")
            for piece in pieces:
                try:
                    line.sendall(mangled(rng, piece))
                except OSError:
                    break
    assert serving.asked == []
    assert serving.recorder.protection.state is State.STANDBY
    # a connection that ends before its greeting is whole is no handshake, and is not counted
    until(lambda: serving.desk.counts.broken >= before + count // 20)
    with RecorderClient(serving.endpoints(serving.control)) as client:
        client.request("mark", text="still there", who="Ada")


def test_handshakes_of_noise_change_nothing(serving: Serving) -> None:
    fuzz_handshakes(serving, 300)


@pytest.mark.soak
def test_ten_thousand_handshakes_of_noise(serving: Serving) -> None:
    fuzz_handshakes(serving, FUZZED)


def test_ten_thousand_mangled_messages_change_nothing_at_a_dashboard() -> None:
    rng = random.Random(7)
    good = [encode(STATUS), encode(Event(1.0, EventKind.TRIP, "winding_hot", data={"limit": "winding_hot"}))]
    context = zmq.Context()
    publish = context.socket(zmq.PUB)
    publish.setsockopt(zmq.SNDHWM, 0)
    port = publish.bind_to_random_port("tcp://127.0.0.1")
    try:
        endpoints = Endpoints(f"tcp://127.0.0.1:{port}", "tcp://127.0.0.1:1")
        with RecorderClient(endpoints) as client:
            first = None
            while first is None:
                publish.send_multipart(good[0])
                first = client.receive(0.05)
            while client.receive(0.05) is not None:
                pass
            understood = 0
            for done in range(FUZZED):
                frames = list(good[done % 2])
                at = rng.randrange(2)
                frames[at] = mangled(rng, frames[at]) or b"x"
                publish.send_multipart(frames if rng.random() < 0.9 else [*frames, b"x"])
                if done % 500 == 499:
                    publish.send_multipart(encode(Event(float(done), EventKind.MARK, "fence")))
                    while (message := client.receive(5.0)) is not None:
                        if isinstance(message, Event) and message.message == "fence":
                            break
                        understood += 1
            # a digit of a number that became another digit is a message; anything else is none
            assert client.malformed + understood == FUZZED
            assert client.malformed > 0.9 * FUZZED
    finally:
        publish.close(linger=0)
        context.term()


def test_no_address_for_other_machines_without_keys() -> None:
    for address in ("tcp://*:*", "tcp://0.0.0.0:5761", "tcp://192.168.1.4:*", "tcp://[::]:*"):
        with pytest.raises(UsageError, match=r"can be reached from other machines.*--keys FOLDER"):
            Desk(publish=address)
        with pytest.raises(UsageError, match="can be reached from other machines"):
            Desk(request=address)


def test_several_frames_to_a_recorder_without_keys_are_refused_and_the_next_is_heard() -> None:
    context = zmq.Context()
    line = context.socket(zmq.DEALER)
    with closing(Desk()) as desk:
        try:
            line.connect(desk.request_address)
            line.send_multipart([b"", b'{"do": "describe"}', b"more"])
            until(lambda: desk.next_request() is None and desk.counts.not_understood == 1)
            assert line.poll(5000)
            line.send_multipart([b"", b'{"do": "describe"}'])
            request = None
            while request is None:
                request = desk.next_request()
            assert request == {"do": "describe"}
            desk.answer({"ok": True})
        finally:
            line.close(linger=0)
            context.term()


# -------------------------------------------------------------------------------------------------- key files


@pytest.mark.skipif(sys.platform == "win32", reason="file modes")
def test_keys_are_for_their_owner_alone(tmp_path: Path) -> None:
    pair = make_stand_key(tmp_path)
    known, keys = grant_pass(tmp_path, "Wim", Grant.WATCH)
    assert keys is not None
    path = tmp_path / "wim.pass.json"
    write_pass(path, known, keys, "tcp://stand:1", "tcp://stand:2")
    for file in (tmp_path / "stand.key", path):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert read_live_file(path) == Endpoints("tcp://stand:1", "tcp://stand:2", keys=keys)
    path.chmod(0o644)
    with pytest.raises(UsageError, match=r"others can read this key.*mode 600"):
        read_live_file(path)
    with pytest.raises(UsageError, match="has a key already"):
        make_stand_key(tmp_path)
    assert read_keyring(tmp_path).stand == pair
    door = Door(read_keyring(tmp_path))
    live = write_live_file(
        Endpoints("tcp://127.0.0.1:1", "tcp://127.0.0.1:2", str(tmp_path / "r.h5"), 1, keys=door.local)
    )
    assert stat.S_IMODE(live.stat().st_mode) == 0o600
    assert read_live_file(live).keys == door.local


def test_a_key_made_elsewhere_is_let_in_by_its_public_half(tmp_path: Path) -> None:
    make_stand_key(tmp_path)
    own = new_pair()
    known, keys = grant_pass(tmp_path, "Wim", Grant.WATCH, own.public)
    assert keys is None
    assert read_keyring(tmp_path).known[own.public] == known
    for name, public, text in (
        ("Wim", new_pair().public, "a key of that name is known"),
        ("Eve", own.public, "known already"),
        ("Eve", "12ab", "not the public half"),
        ("../eve", "", "not a name for a key"),
    ):
        with pytest.raises(UsageError, match=text):
            grant_pass(tmp_path, name, Grant.CONTROL, public)
    with pytest.raises(UsageError, match="Did you mean 'Wim'"):
        withdraw(tmp_path, "Win")
    assert withdraw(tmp_path, "Wim") == known
    assert read_keyring(tmp_path).known == {}


def test_a_line_that_is_no_key_is_named(tmp_path: Path) -> None:
    make_stand_key(tmp_path)
    with (tmp_path / "known.txt").open("a") as file:
        file.write("12ab watch Wim\n")
    with pytest.raises(UsageError, match=r"known\.txt: line 2: not a key"):
        read_keyring(tmp_path)


def test_hexadecimal_and_z85_are_the_same_key() -> None:
    # published: ZeroMQ RFC 32/Z85, its test case: 86 4F D2 6F B5 59 F7 5B is "HelloWorld"; here four times over
    digits = "864fd26fb559f75b" * 4
    assert curve_text(digits) == b"HelloWorld" * 4
    assert hex_of(b"HelloWorld" * 4) == digits
