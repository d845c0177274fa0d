"""Who is let in at the recorder's sockets: CURVE handshakes, keys that are known, and a count of all others.

Handshakes are answered in the recorder's own turns, a few at a time, by the authenticator that pyzmq brings (ZAP,
ZeroMQ RFC 27). No thread of its own can hold the loop up, and a flood of handshakes costs a turn no more than a few.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import zmq

from benchkit.errors import UsageError
from benchkit.session.keys import (
    KNOWN,
    Grant,
    Keyring,
    Known,
    ViewerKeys,
    curve_text,
    hex_of,
    new_pair,
    read_keyring,
    read_known,
)
from benchkit.session.messages import LinkCounts

if TYPE_CHECKING:
    from zmq.auth import Authenticator

MOST_A_TURN = 4
"""Handshakes answered, and failures counted, in one turn."""
LOOK_EVERY_S = 0.5
"""The list of keys is looked at this often, also while nobody asks anything."""
LOCAL = "this machine"
_FAILED = zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL | zmq.EVENT_HANDSHAKE_FAILED_AUTH


class _Gate:
    """Says yes or no to a public key, and counts the noes."""

    def __init__(self, folder: Path | None, keyring: Keyring, local: str, counts: LinkCounts) -> None:
        self._folder, self._counts = folder, counts
        self._known = dict(keyring.known)
        self._local = Known(local, Grant.CONTROL, LOCAL)
        self._stamp = self._stamp_now()
        self.has_lost = False
        """A key that was known is not any more."""

    def callback(self, domain: str, key: bytes) -> bool:  # noqa: ARG002 - as pyzmq calls it
        is_known = self.find(hex_of(key)) is not None
        self._counts.unknown_keys += not is_known
        return is_known

    def find(self, public: str) -> Known | None:
        """The known key of that public half; the list is read again when it has changed."""
        if public == self._local.public:
            return self._local
        self.look()
        return self._known.get(public)

    def look(self) -> None:
        """Read the list again when it has changed."""
        stamp = self._stamp_now()
        if stamp == self._stamp or self._folder is None:
            return
        self._stamp = stamp
        before = self._known
        try:
            self._known = read_known(self._folder / KNOWN)
        except UsageError:
            self._known = {}  # a list that cannot be understood lets nobody in
        self.has_lost |= any(key not in self._known for key in before)

    def _stamp_now(self) -> tuple[int, int]:
        try:
            stat = (self._folder / KNOWN).stat() if self._folder is not None else None
        except OSError:
            return (0, 0)
        return (0, 0) if stat is None else (stat.st_mtime_ns, stat.st_size)


class Door:
    """The keys of one recorder. ``local`` is a pair for dashboards on this machine, made anew for every run."""

    def __init__(self, keyring: Keyring, folder: Path | None = None) -> None:
        self.counts = LinkCounts()
        self._stand = keyring.stand
        pair = new_pair()
        self.local = ViewerKeys(pair.public, pair.secret, keyring.stand.public)
        self._gate = _Gate(folder, keyring, pair.public, self.counts)
        self._zap: Authenticator | None = None
        self._monitors: list[zmq.Socket[bytes]] = []
        self._looked_s = time.monotonic()

    def guard(self, context: zmq.Context[zmq.Socket[bytes]], sockets: Iterable[zmq.Socket[bytes]]) -> None:
        """Ask for keys at these sockets, before they are bound."""
        # loaded here: most recorders ask for no keys, and one of these brings asyncio
        from zmq.auth import Authenticator
        from zmq.utils.monitor import recv_monitor_message

        self._received = recv_monitor_message
        quiet = logging.getLogger("benchkit.door")
        quiet.addHandler(logging.NullHandler())
        quiet.propagate = False
        self._zap = Authenticator(context, log=quiet)
        self._zap.start()
        self._zap.configure_curve_callback("*", self._gate)
        for socket in sockets:
            socket.curve_secretkey = curve_text(self._stand.secret)
            socket.curve_publickey = curve_text(self._stand.public)
            socket.curve_server = True
            self._monitors.append(socket.get_monitor_socket(_FAILED))

    def turn(self) -> None:
        """Answer handshakes that wait, and count those that failed."""
        assert self._zap is not None
        for _ in range(MOST_A_TURN):
            try:
                message = self._zap.zap_socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            answering = self._zap.handle_zap_message(message)
            try:
                answering.send(None)  # nothing in it waits: the callback is a plain function
            except StopIteration:
                continue
            answering.close()
        for monitor in self._monitors:
            for _ in range(MOST_A_TURN):
                try:
                    told = self._received(monitor, zmq.NOBLOCK)
                except zmq.Again:
                    break
                # a key that is refused ends its handshake as well; it is counted already
                self.counts.broken += told["event"] != zmq.EVENT_HANDSHAKE_FAILED_AUTH

    def has_lost_a_key(self) -> bool:
        """Whether a key was withdrawn since this was asked last; who came with it may still be connected."""
        now_s = time.monotonic()
        if now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            self._gate.look()
        lost, self._gate.has_lost = self._gate.has_lost, False
        return lost

    def known(self, user_id: object) -> Known | None:
        """The key behind a message, from the id that its handshake has left."""
        return self._gate.find(hex_of(user_id.encode("ascii"))) if isinstance(user_id, str) else None

    def close(self, sockets: Iterable[zmq.Socket[bytes]]) -> None:
        """Let go of everything; the guarded sockets are closed by their owner afterwards."""
        for socket in sockets:
            if self._monitors:
                socket.disable_monitor()
        for monitor in self._monitors:
            monitor.close(linger=0)
        self._monitors = []
        if self._zap is not None:
            self._zap.stop()
            self._zap = None


def open_door(folder: Path | None) -> Door | None:
    """The door of a recorder whose keys lie in ``folder``; None without."""
    return None if folder is None else Door(read_keyring(folder), folder)
