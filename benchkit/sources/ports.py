"""Serial ports of this computer, and how to find a USB adapter again after it came back under another name."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port: path or COM name, what it says it is, and the serial number of a USB adapter (else empty)."""

    device: str
    description: str
    serial_number: str = ""


def list_ports() -> list[Port]:
    """Serial ports that the operating system knows, sorted by name."""
    from serial.tools.list_ports import comports

    found = [Port(p.device, p.description or "", p.serial_number or "") for p in comports()]
    return sorted(found, key=lambda port: port.device)


def serial_number_of(device: str, ports: list[Port]) -> str:
    """Serial number of the adapter at ``device``; empty when it has none or is not listed."""
    return next((p.serial_number for p in ports if p.device == device), "")


def device_with(serial_number: str, ports: list[Port]) -> str | None:
    """Where the adapter with that serial number is now; None when it is absent or the number is not unique."""
    if not serial_number:
        return None
    devices = [p.device for p in ports if p.serial_number == serial_number]
    return devices[0] if len(devices) == 1 else None
