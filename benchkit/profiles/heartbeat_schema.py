"""``[heartbeat]``: the output that lets a hardware watchdog drop the enable when the recorder stalls. Nothing of it
has a default."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from benchkit.model.heartbeat import CoilOutput, ControlLine, Heartbeat, LineOutput, MessageOutput
from benchkit.profiles.base import Measure, Section
from benchkit.profiles.collect import Collector
from benchkit.profiles.source_schema import ModbusSection, SourceSection
from benchkit.units import Quantity

SHORTEST_PERIOD_S = 0.02
"""The recorder looks at its links at least every 5 ms; a beat cannot be steadier than that."""
LONGEST_PERIOD_S = 10.0
TAKES_MESSAGES = ("serial_text", "serial_packets", "udp", "can")
"""Sources whose commands go out at once. The others ask on schedule, or take none."""


class _BeatSection(Section):
    period: Measure
    stop_on_trip: bool


class LineBeatSection(_BeatSection):
    """A control line of a serial port, turned over by each beat."""

    kind: Literal["line"]
    port: Annotated[str, Field(min_length=1)]
    line: Annotated[ControlLine, Field(strict=False)]


class MessageBeatSection(_BeatSection):
    """A command line to a source, with ``{count}`` in it."""

    kind: Literal["message"]
    source: str
    command: Annotated[str, Field(min_length=1, max_length=200)]
    answered_by: Annotated[str, Field(max_length=200)] = ""
    """The answer that is counted and not logged; it decides nothing."""


class CoilBeatSection(_BeatSection):
    """A coil of a Modbus source, turned over by each beat."""

    kind: Literal["coil"]
    source: str
    address: Annotated[int, Field(ge=0, le=65535)]


HeartbeatSection = Annotated[LineBeatSection | MessageBeatSection | CoilBeatSection, Field(discriminator="kind")]


def heartbeat_of(
    collect: Collector, section: HeartbeatSection | None, sources: Mapping[str, SourceSection]
) -> Heartbeat | None:
    """The heartbeat of a profile; None when it has none. Faults go to ``collect``."""
    if section is None:
        return None
    period_s = collect.positive("heartbeat.period", Quantity.TIME, section.period)
    if period_s > 0.0 and not SHORTEST_PERIOD_S <= period_s <= LONGEST_PERIOD_S:
        expected = f"{SHORTEST_PERIOD_S:g} s to {LONGEST_PERIOD_S:g} s"
        remedy = "Take about a third of the time after which the watchdog acts."
        collect.fault("heartbeat.period.value", "not a period that can be kept", f"{period_s:g} s", expected, remedy)
    if isinstance(section, LineBeatSection):
        output: LineOutput | MessageOutput | CoilOutput = LineOutput(section.port, section.line)
    elif isinstance(section, MessageBeatSection):
        _check_message(collect, section, sources)
        output = MessageOutput(section.source, section.command, section.answered_by)
    else:
        _check_coil(collect, section, sources, period_s)
        output = CoilOutput(section.source, section.address)
    return Heartbeat(period_s, section.stop_on_trip, output)


def _check_message(collect: Collector, section: MessageBeatSection, sources: Mapping[str, SourceSection]) -> None:
    if "{count}" not in section.command:
        remedy = "Write it as 'alive {count}': two beats must differ, or a line that is stuck looks alive."
        collect.fault("heartbeat.command", "the number of the beat is missing", section.command, "{count}", remedy)
    if not (section.command.isascii() and section.command.isprintable()):
        collect.fault("heartbeat.command", "a command is one line of ASCII text", section.command)
    if collect.known("heartbeat.source", "source", section.source, sources):
        kind = sources[section.source].kind
        if kind not in TAKES_MESSAGES:
            remedy = "Take a source of that kind, a control line (kind = 'line') or a coil (kind = 'coil')."
            collect.fault("heartbeat.source", "takes no beats as a message", kind, " or ".join(TAKES_MESSAGES), remedy)


def _check_coil(
    collect: Collector, section: CoilBeatSection, sources: Mapping[str, SourceSection], period_s: float
) -> None:
    if not collect.known("heartbeat.source", "source", section.source, sources):
        return
    source = sources[section.source]
    if not isinstance(source, ModbusSection):
        collect.fault("heartbeat.source", "a coil belongs to a Modbus source", source.kind, "modbus")
        return
    timeout_s = collect.measure(f"sources.{section.source}.timeout", Quantity.TIME, source.timeout)
    if not period_s > timeout_s:
        remedy = "Take a longer period or a shorter time-out: a coil waits until the question under way is answered."
        expected = f"more than the time-out of {section.source}, {timeout_s:g} s"
        collect.fault(
            "heartbeat.period.value",
            "one answer that is missing would cost a beat",
            f"{period_s:g} s",
            expected,
            remedy,
        )
