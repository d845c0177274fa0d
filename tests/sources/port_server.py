"""A serial port on the network (RFC 2217), served by pyserial's own port manager, with control lines to watch."""

from __future__ import annotations

import contextlib
import socket
import threading

from serial.rfc2217 import PortManager
from serial.urlhandler.protocol_loop import Serial as LoopPort


class WatchedPort(LoopPort):
    """pyserial's port that is wired to itself; remembers what its lines were switched to."""

    def __init__(self) -> None:
        self.rts_levels: list[bool] = []
        self.dtr_levels: list[bool] = []
        super().__init__("loop://", timeout=0)

    def _update_rts_state(self) -> None:
        super()._update_rts_state()
        self.rts_levels.append(bool(self._rts_state))

    def _update_dtr_state(self) -> None:
        super()._update_dtr_state()
        self.dtr_levels.append(bool(self._dtr_state))


class _Connection:
    def __init__(self, peer: socket.socket) -> None:
        self.write = peer.sendall


class PortServer:
    """Serves one client after the other. While ``is_deaf`` it takes nothing and answers nothing."""

    def __init__(self) -> None:
        self.port = WatchedPort()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._listening.getsockname()[1]}"
        self.hears = threading.Event()
        self.hears.set()
        self._peer: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Close the connection, as a port server that loses its power does."""
        if self._peer is not None:
            with contextlib.suppress(OSError):
                self._peer.shutdown(socket.SHUT_RDWR)

    def stop(self) -> None:
        """End the server."""
        self.hears.set()
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self.cut()
        self._thread.join(10.0)

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                self._peer, _ = self._listening.accept()
                with self._peer, contextlib.suppress(OSError):
                    manager = PortManager(self.port, _Connection(self._peer))
                    while data := self._peer.recv(1024):
                        self.hears.wait()
                        self.port.write(b"".join(manager.filter(data)))
