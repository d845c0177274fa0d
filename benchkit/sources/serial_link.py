"""A serial port as plain bytes: open, wait, read what is there, write, close.

Only this file and ``control_line`` call pyserial.

Reading waits in the operating system for the first byte and then takes what is waiting: a line is seen as soon as it
arrives, and no call waits for a line end. ``readline`` would be slow and would hand out partial lines.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import select
import time

import serial

from benchkit.errors import LinkError, UsageError
from benchkit.model.sources import Parity
from benchkit.sources.ports import list_ports

_READ_BYTES = 65536
_WRITE_TIMEOUT_S = 0.2
"""A device that does not take a command for so long counts as lost: the loop that protects must not wait for it."""
_JAMMED_BYTES = 256
"""From so many waiting bytes on Linux calls a port not ready to write."""

try:
    import termios
except ImportError:  # Windows
    _SETTING_ERRORS: tuple[type[Exception], ...] = ()
else:
    _SETTING_ERRORS = (termios.error,)  # pyserial lets it through
_PARITIES = {Parity.NONE: serial.PARITY_NONE, Parity.EVEN: serial.PARITY_EVEN, Parity.ODD: serial.PARITY_ODD}


class SerialLink:
    """An open port. ``device`` is a path, a COM name or a URL of pyserial (``socket://host:port``, ``loop://``).

    Raises:
        LinkError: the port cannot be opened.
        UsageError: the URL is of no known kind.
    """

    def __init__(self, device: str, baud: int, where: str, parity: Parity = Parity.NONE, stop_bits: int = 1) -> None:
        try:
            # timeout 0: read returns what is there. exclusive: a second program on the port would steal bytes.
            self._port = serial.serial_for_url(
                device,
                baudrate=baud,
                parity=_PARITIES[parity],
                stopbits=stop_bits,
                timeout=0,
                write_timeout=_WRITE_TIMEOUT_S,
                exclusive=True,
            )
        except ValueError as error:
            raise UsageError(f"cannot use port {device!r}: {error}", where=where, remedy=_NAME_IT) from error
        except OSError as error:  # pyserial's SerialException is one
            raise _not_opened(error, device, where) from error
        except _SETTING_ERRORS as error:
            remedy = "Check baud, parity and stop bits; a pseudo-terminal knows no parity."
            what = f"port {device!r} does not take its settings: {error}"
            raise LinkError(what, where=where, remedy=remedy) from error
        self._wait_on = _descriptor(self._port)
        with contextlib.suppress(OSError, AttributeError):  # a socket has nothing to drop
            # Bytes from before the opening are old, and the driver may have dropped some of them in the middle.
            self._port.reset_input_buffer()
        if hasattr(self._port, "set_low_latency_mode"):
            # USB adapters may hold bytes for 16 ms; those that can are told not to. Others refuse, which is no loss.
            with contextlib.suppress(ValueError, NotImplementedError, OSError):
                self._port.set_low_latency_mode(True)

    @property
    def wait_on(self) -> int | None:
        """Descriptor that ``select`` can wait on; None where the system has none."""
        return self._wait_on

    def read(self, timeout_s: float) -> bytes:
        """Wait up to ``timeout_s`` for a byte, then return all that is waiting; empty when nothing came.

        Raises:
            OSError: the link is lost.
        """
        if self._wait_on is not None:
            ready, _, _ = select.select([self._wait_on], [], [], timeout_s)
            return self._read_waiting(self._wait_on) if ready else b""
        if self._port.timeout != timeout_s:
            self._port.timeout = timeout_s
        first = self._port.read(1)
        return bytes(first + self._port.read(self._port.in_waiting)) if first else b""

    def _read_waiting(self, descriptor: int) -> bytes:
        if os.name == "nt":
            return bytes(self._port.read(_READ_BYTES))  # Windows reads no socket by its descriptor
        try:
            data = os.read(descriptor, _READ_BYTES)  # half the cost of the port's own read, which waits once more
        except BlockingIOError:
            return b""
        if not data:
            raise OSError("the other end has gone")
        return data

    def write(self, data: bytes) -> None:
        """Write all of ``data``. It returns when the system has the bytes, and waits only where it does not take them.

        Raises:
            OSError: the link is lost or did not take the bytes in time.
        """
        if self._wait_on is None or os.name == "nt":
            self._port.write(data)
            return
        # The port's own write looks once more whether it could write on. That look waits for the system to hand over
        # what has just come in, which on a busy computer took up to 10 ms, with the command long on its way.
        until = time.monotonic() + _WRITE_TIMEOUT_S
        while True:
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self._wait_on, data) :]
            if not data and not self._is_jammed():
                return
            if not select.select([], [self._wait_on], [], max(0.0, until - time.monotonic()))[1]:
                raise OSError(f"a command was not taken within {_WRITE_TIMEOUT_S:g} s")
            if not data:
                return

    def _is_jammed(self) -> bool:
        """True when so much waits to go out that the device must have stopped taking it."""
        return getattr(self._port, "out_waiting", 0) >= _JAMMED_BYTES

    def close(self) -> None:
        """Close the port, whatever state it is in."""
        connection = getattr(self._port, "_socket", None)
        if connection is not None:
            # pyserial's own close of a socket sleeps 0.3 s, and leaves the socket open when the other end has gone.
            connection.close()
            self._port.is_open = False
            return
        with contextlib.suppress(OSError):
            self._port.close()


def _descriptor(port: serial.SerialBase) -> int | None:
    """What ``select`` can wait on; None on Windows COM ports and ports that are no device (``loop://``)."""
    if os.name == "nt" and not hasattr(port, "_socket"):
        return None
    try:
        return port.fileno()
    except (io.UnsupportedOperation, AttributeError):
        return None


_NAME_IT = "Give a device path, a COM name or a URL such as socket://host:port: --port SOURCE=PORT."


def _not_opened(error: OSError, device: str, where: str) -> LinkError:
    """Say what the error of pyserial means and what to do; on Windows its kind stands only in the text."""
    text = str(error)
    if "://" in device:
        remedy = "Check the address, and that the other end is running and waits for a connection."
        return LinkError(f"cannot connect to {device!r}: {text}", where=where, remedy=remedy)
    if error.errno == errno.ENOENT or "FileNotFoundError" in text:
        names = ", ".join(port.device for port in list_ports()) or "none"
        remedy = f"Ports of this computer: {names}. Check cable and power, or name another: --port SOURCE=PORT."
        return LinkError(f"there is no port {device!r}", where=where, remedy=remedy)
    if error.errno in (errno.EAGAIN, errno.EBUSY) or (os.name == "nt" and "PermissionError" in text):
        remedy = "Close the other program (or the other recording) first."
        return LinkError(f"port {device!r} is in use by another program", where=where, remedy=remedy)
    if error.errno in (errno.EACCES, errno.EPERM):
        remedy = "Add your user to the group that owns it (on many Linux systems dialout), then log in again."
        return LinkError(f"no right to open port {device!r}", where=where, remedy=remedy)
    remedy = "Check cable and power, then try again."
    return LinkError(f"cannot open port {device!r}: {text}", where=where, remedy=remedy)
