"""``[bursts.NAME]``: a source of short records at a high rate, as TOML writes it, and from there to the model."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from benchkit.model.bursts import (
    MOST_BYTES,
    BurstChannel,
    BurstFile,
    BurstFileKind,
    BurstPacket,
    BurstRole,
    BurstSource,
)
from benchkit.model.calibration import Accuracy
from benchkit.model.events import EventKind
from benchkit.profiles.base import Finite, Measure, Name, NonNegative, Section
from benchkit.profiles.collect import Collector
from benchkit.units import Quantity

QuantityField = Annotated[Quantity, Field(strict=False)]
RoleField = Annotated[BurstRole, Field(strict=False)]
FileKindField = Annotated[BurstFileKind, Field(strict=False)]
SampleType = Literal["i2", "u2", "i4", "u4", "f4", "f8"]
ByteOrder = Literal["little", "big"]
ROLE_QUANTITY = {
    BurstRole.PHASE_CURRENT: Quantity.CURRENT,
    BurstRole.LEG_VOLTAGE: Quantity.VOLTAGE,
    BurstRole.DC_VOLTAGE: Quantity.VOLTAGE,
    BurstRole.DC_CURRENT: Quantity.CURRENT,
    BurstRole.SPEED: Quantity.SPEED,
    BurstRole.TORQUE: Quantity.TORQUE,
}
MOST_RATE_HZ = 1e6
MOST_CHANNELS = 8


class BurstAccuracySection(Section):
    """Standard uncertainty (k = 1) of a channel."""

    of_reading_percent: NonNegative
    constant: NonNegative


class BurstChannelSection(Section):
    """One column, in the order in which the columns come: ``value = gain * raw + offset`` in ``unit``."""

    name: Name
    label: str
    quantity: QuantityField
    unit: str
    gain: Finite
    offset: Finite
    accuracy: BurstAccuracySection
    role: RoleField = BurstRole.NONE
    leg: Annotated[str, Field(pattern=r"^[a-z0-9]{0,8}$", description="letters and digits")] = ""


class BurstPacketSection(Section):
    """``[bursts.NAME.packet]``: sync bytes, the number of the first sample, then whole samples of all channels."""

    sync: Annotated[str, Field(pattern=r"^([0-9a-fA-F]{2}){0,16}$", description="hexadecimal digits, two a byte")]
    counter_bytes: Literal[4, 8]
    byte_order: ByteOrder
    """Of the counter."""


class BurstFileSection(Section):
    """``[bursts.NAME.file]``: files that an instrument leaves in a folder, one burst each."""

    format: FileKindField
    folder: str
    pattern: str
    columns: Annotated[list[Annotated[int, Field(ge=0, le=1000)]], Field(min_length=1)]
    """Place of each channel in a row, from 0."""
    trigger_row: Annotated[int, Field(ge=0)]
    skip_lines: Annotated[int, Field(ge=0, le=10_000)] = 0
    separator: Literal[",", ";", "\t", " "] = ","
    decimal_mark: Literal[".", ","] = "."
    skip_bytes: Annotated[int, Field(ge=0, le=1 << 20)] = 0
    row_values: Annotated[int, Field(ge=0, le=1000)] = 0


class BurstSection(Section):
    """``[bursts.NAME]``."""

    kind: Literal["udp", "file"]
    port: str = ""
    """host:port to listen at."""
    sample_rate: Measure
    rate_accuracy_percent: NonNegative
    """Relative standard uncertainty of the sample rate."""
    sample_type: SampleType
    byte_order: ByteOrder
    pre_trigger: Measure | None = None
    post_trigger: Measure | None = None
    trigger_on: list[Literal["trip", "caution", "mark"]]
    most_bursts: Annotated[int, Field(ge=1, le=10_000)]
    packet: BurstPacketSection | None = None
    file: BurstFileSection | None = None
    channels: Annotated[list[BurstChannelSection], Field(min_length=1, max_length=MOST_CHANNELS)]


def burst_source(collect: Collector, name: str, b: BurstSection, sources: object) -> BurstSource:
    """The specification of a burst source; faults go to ``collect``."""
    key = f"bursts.{name}"
    if isinstance(sources, dict) and name in sources:
        collect.fault(key, "a source has this name too", name, remedy="Give the burst source a name of its own.")
    rate_hz = collect.positive(f"{key}.sample_rate", Quantity.FREQUENCY, b.sample_rate)
    if rate_hz > MOST_RATE_HZ:
        collect.fault(
            f"{key}.sample_rate", "faster than bursts can be", f"{rate_hz:g} Hz", f"at most {MOST_RATE_HZ:g} Hz"
        )
    _check_parts(collect, key, b)
    names = [c.name for c in b.channels]
    for twice in sorted({n for n in names if names.count(n) > 1}):
        collect.fault(f"{key}.channels", f"channel {twice!r} occurs twice")
    pre_s = 0.0 if b.pre_trigger is None else collect.delay(f"{key}.pre_trigger", b.pre_trigger)
    post_s = 0.0 if b.post_trigger is None else collect.delay(f"{key}.post_trigger", b.post_trigger)
    source = BurstSource(
        name=name,
        channels=tuple(_channel(collect, f"{key}.channels.{i}", c) for i, c in enumerate(b.channels)),
        sample_rate_hz=rate_hz,
        u_rate=b.rate_accuracy_percent / 100.0,
        wire_type=(">" if b.byte_order == "big" else "<") + b.sample_type,
        pre_s=pre_s,
        post_s=post_s,
        triggers=tuple(EventKind(text) for text in b.trigger_on),
        most_bursts=b.most_bursts,
        port=b.port,
        packet=None
        if b.packet is None
        else BurstPacket(bytes.fromhex(b.packet.sync), b.packet.counter_bytes, b.packet.byte_order == "big"),
        file=None if b.file is None else _file(collect, f"{key}.file", b.file, len(b.channels)),
    )
    if b.kind == "udp" and not 2 <= source.rows <= MOST_BYTES // source.frame_bytes:
        most_s = MOST_BYTES / source.frame_bytes / rate_hz if rate_hz > 0.0 else 0.0
        collect.fault(
            f"{key}.post_trigger",
            "a burst has two samples at least, and an end",
            f"{pre_s + post_s:g} s before and after the trigger",
            f"at most {most_s:.3g} s together at this rate",
        )
    return source


def _check_parts(collect: Collector, key: str, b: BurstSection) -> None:
    """Each kind has its own parts, and not those of the other."""
    if b.kind == "udp":
        wanted = {"port": bool(b.port), "packet": b.packet is not None}
        wanted |= {"pre_trigger": b.pre_trigger is not None, "post_trigger": b.post_trigger is not None}
        unwanted = {"file": b.file is not None}
    else:
        wanted = {"file": b.file is not None}
        unwanted = {"port": bool(b.port), "packet": b.packet is not None, "trigger_on": bool(b.trigger_on)}
        unwanted |= {"pre_trigger": b.pre_trigger is not None, "post_trigger": b.post_trigger is not None}
    for part, is_there in wanted.items():
        if not is_there:
            collect.fault(f"{key}.{part}", f"is missing: a burst source of kind {b.kind!r} needs it")
    for part, is_there in unwanted.items():
        if is_there:
            collect.fault(
                f"{key}.{part}", f"does not belong to a burst source of kind {b.kind!r}", remedy="Leave it out."
            )


def _channel(collect: Collector, key: str, c: BurstChannelSection) -> BurstChannel:
    scale = collect.scale(key, c.quantity, c.unit)
    expected = ROLE_QUANTITY.get(c.role)
    if expected is not None and c.quantity is not expected:
        collect.fault(f"{key}.quantity", f"the role {c.role.value} is for {expected.value}", c.quantity.value)
    if c.gain == 0.0:
        collect.fault(f"{key}.gain", "a gain of zero measures nothing", c.gain)
    needs_leg = c.role in (BurstRole.GATE_UPPER, BurstRole.GATE_LOWER, BurstRole.LEG_VOLTAGE)
    if needs_leg and not c.leg:
        collect.fault(f"{key}.leg", f"the role {c.role.value} belongs to a phase leg", expected="such as 'a'")
    return BurstChannel(
        name=c.name,
        label=c.label,
        quantity=c.quantity,
        gain=scale.factor * c.gain,
        offset=scale.factor * c.offset + scale.offset,
        role=c.role,
        leg=c.leg,
        accuracy=Accuracy(c.accuracy.of_reading_percent / 100.0, c.accuracy.constant * abs(scale.factor)),
    )


def _file(collect: Collector, key: str, f: BurstFileSection, channels: int) -> BurstFile:
    if len(f.columns) != channels:
        collect.fault(f"{key}.columns", "one place for each channel", len(f.columns), str(channels))
    if f.format is BurstFileKind.RAW and not f.row_values > max(f.columns):
        collect.fault(f"{key}.row_values", "a raw file has rows that hold every column", f.row_values)
    if f.format is BurstFileKind.CSV and f.separator == f.decimal_mark:
        collect.fault(f"{key}.decimal_mark", "separator and decimal mark are the same sign", f.decimal_mark)
    if "/" in f.pattern or "\\" in f.pattern or ".." in f.pattern:
        collect.fault(f"{key}.pattern", "names files of the folder, no other folder", f.pattern, "such as '*.csv'")
    return BurstFile(
        kind=f.format,
        folder=f.folder,
        pattern=f.pattern,
        columns=tuple(f.columns),
        trigger_row=f.trigger_row,
        skip_lines=f.skip_lines,
        separator=f.separator,
        decimal_mark=f.decimal_mark,
        skip_bytes=f.skip_bytes,
        row_values=f.row_values,
    )
