"""Text lines or packets on a serial port: the link, its decoder, and what happens when the cable comes out."""

from __future__ import annotations

from benchkit.decode.build import decoder_for
from benchkit.errors import LinkError
from benchkit.model.samples import DecodeEvent
from benchkit.model.sources import SerialPacketSource, SerialTextSource
from benchkit.sources.clock import Clock
from benchkit.sources.commands import command_line
from benchkit.sources.contract import Polled
from benchkit.sources.link_book import LinkBook
from benchkit.sources.ports import device_with, list_ports, serial_number_of
from benchkit.sources.serial_link import SerialLink


class SerialSource:
    """Serial source of text lines or packets (see :class:`benchkit.sources.contract.Source`).

    ``port_override`` takes the place of the port of the profile. An adapter with a serial number of its own is found
    again when it comes back under another name.
    """

    is_finished = False

    def __init__(
        self, spec: SerialTextSource | SerialPacketSource, clock: Clock, port_override: str | None = None
    ) -> None:
        self._spec = spec
        self._clock = clock
        self._device = port_override or spec.port
        self._where = f"sources.{spec.name}"
        self._decoder = decoder_for(spec)
        self._link: SerialLink | None = None
        self._serial_number = ""
        self._book = LinkBook(clock, self._where)

    @property
    def name(self) -> str:
        return self._spec.name

    @property
    def columns(self) -> tuple[str, ...]:
        return self._decoder.columns

    @property
    def device(self) -> str:
        """Port in use: path, COM name or URL."""
        return self._device

    @property
    def is_open(self) -> bool:
        return self._link is not None

    @property
    def wait_on(self) -> int | None:
        """Descriptor that the recorder can wait on; None while closed, or where the system has none."""
        return None if self._link is None else self._link.wait_on

    def open(self) -> None:
        """Open the port, or open it again after a loss. A network host that does not answer holds this up for 5 s.

        Raises:
            LinkError: it cannot be opened.
            UsageError: the port is a URL of no known kind.
        """
        if self._link is not None:
            return
        self._link = self._connect()
        # What a device has begun before we listened comes without its start.
        self._decoder = decoder_for(self._spec, joined_midway=True)
        self._book.opened()

    def poll(self, timeout_s: float) -> Polled | None:
        """Wait up to ``timeout_s`` for bytes; return what is there, or None.

        Raises:
            LinkError: the link is lost or not open.
        """
        waiting = self._book.waiting()
        if waiting is not None:
            return waiting
        if self._link is None:
            raise self._book.why_closed(f"port {self._device!r}")
        try:
            data = self._link.read(timeout_s)
        except OSError as error:
            self._lose(error)
            return self.poll(timeout_s)  # hands out what the cut left behind, else raises the loss
        if not data:
            return None
        arrival_ns = self._clock.now_ns()
        self._decoder.feed(data, arrival_ns)
        return Polled(data, arrival_ns, self._events())

    def send(self, command: str) -> None:
        """Write one command line.

        Raises:
            LinkError: the link is lost, not open, or does not take the bytes.
            UsageError: the text is not one line of ASCII.
        """
        data = command_line(command, self._where)
        if self._link is None:
            raise self._book.why_closed(f"port {self._device!r}")
        try:
            self._link.write(data)
        except OSError as error:
            raise self._lose(error) from error

    def close(self) -> None:
        """Close the port. A line or packet that was not finished is handed out as a bad frame by the next poll."""
        if self._link is None:
            return
        self._link.close()
        self._link = None
        self._decoder.close(self._book.closed())
        self._book.events += self._events()

    def _connect(self) -> SerialLink:
        try:
            link = SerialLink(self._device, self._spec.baud, self._where)
        except LinkError:
            moved = device_with(self._serial_number, list_ports()) if self._serial_number else None
            if moved is None or moved == self._device:
                raise
            link = SerialLink(moved, self._spec.baud, self._where)
            self._device = moved
        if "://" not in self._device:
            self._serial_number = serial_number_of(self._device, list_ports())
        return link

    def _events(self) -> list[DecodeEvent]:
        return list(iter(self._decoder.next_event, None))

    def _lose(self, error: OSError) -> LinkError:
        """Close what is left of the link and remember why."""
        self.close()
        return self._book.lost(
            f"link to {self._device!r} is lost: {error}",
            "Check cable and power of the device; the link is opened again when it is back.",
        )
