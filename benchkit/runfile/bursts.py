"""``/bursts`` of a run file: what is made for every burst source at the start, how bursts are added, and read back.

SWMR takes no new datasets, so each source has one dataset that holds the samples of all its bursts, one after the
other, and an index with a row for each. The index row is written after everything it points at was handed to the
system: a burst that is in the index is whole.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError
from benchkit.model.bursts import Burst, BurstChannel, BurstRecord, BurstRole
from benchkit.model.calibration import Accuracy
from benchkit.runfile import layout, trusted
from benchkit.runfile.labels import create_labels
from benchkit.units import Quantity

BURSTS = "bursts"
SAMPLES, GAPS, RATE, REASON, INDEX, SCALE = "samples", "gaps", "rate", "reason", "index", "scale"
ROLE, LEG = "role", "leg"
LABELS = (layout.CHANNEL, layout.UNIT, layout.QUANTITY, layout.LABEL, ROLE, LEG)
SCALE_COLUMNS = ("gain", "offset", "u_of_reading", "u_constant")
INDEX_COLUMNS = (
    "number",
    "first_row",
    "rows",
    "first_gap",
    "gaps",
    "first_counter",
    "trigger_sample",
    "trigger_ns",
    "u_trigger_ns",
    "missing",
)
REASON_BYTES = 200
GROWING = (SAMPLES, GAPS, RATE, REASON, INDEX)
"""In the order of writing and of hashing: the index last."""
_CHUNK_BYTES = 1 << 20
_SMALL_CHUNK = 64
_SAMPLE_TYPES = ("<i2", "<u2", "<i4", "<u4", "<f4", "<f8")


@dataclass(frozen=True, slots=True)
class BurstSpec:
    """What a run file keeps of a burst source: its channels, and the NumPy type of a sample."""

    source: str
    channels: tuple[BurstChannel, ...]
    sample_type: str


def check_specs(specs: Sequence[BurstSpec]) -> None:
    """Refuse burst sources that cannot be laid out.

    Raises:
        UsageError: naming the source and what is wrong with it.
    """
    names = [spec.source for spec in specs]
    for spec in specs:
        where = f"burst source {spec.source!r}"
        if not layout.is_safe_name(spec.source) or names.count(spec.source) > 1:
            raise UsageError("not a name of its own for a burst source", where=where)
        if not spec.channels:
            raise UsageError("has no channels", where=where)
        if spec.sample_type not in _SAMPLE_TYPES:
            raise UsageError(
                "not a type of sample", where=where, got=spec.sample_type, expected=", ".join(_SAMPLE_TYPES)
            )


def spec_record(spec: BurstSpec) -> dict[str, Any]:
    """A specification as JSON, for the first record of a journal."""
    channels = [
        [c.name, c.label, c.quantity.value, c.gain, c.offset, c.role.value, c.leg, *astuple(c.accuracy)]
        for c in spec.channels
    ]
    return {"source": spec.source, "sample_type": spec.sample_type, "channels": channels}


def parse_spec(fields: Mapping[str, Any]) -> BurstSpec:
    """What :func:`spec_record` wrote; ValueError, KeyError or TypeError where it is something else."""
    channels = []
    for name, label, quantity, gain, offset, role, leg, of_reading, constant in fields["channels"]:
        accuracy = Accuracy(float(of_reading), float(constant))
        channels.append(
            BurstChannel(
                str(name),
                str(label),
                Quantity(quantity),
                float(gain),
                float(offset),
                BurstRole(role),
                str(leg),
                accuracy,
            )
        )
    return BurstSpec(str(fields["source"]), tuple(channels), str(fields["sample_type"]))


def create(file: Any, specs: Sequence[BurstSpec], filters: Mapping[str, object]) -> None:
    """Make ``/bursts`` and all that lies in it, still empty."""
    file.create_group(BURSTS)
    for spec in specs:
        group = file.create_group(f"{BURSTS}/{spec.source}")
        texts = {
            layout.CHANNEL: [c.name for c in spec.channels],
            layout.UNIT: [c.unit for c in spec.channels],
            layout.QUANTITY: [c.quantity.value for c in spec.channels],
            layout.LABEL: [c.label for c in spec.channels],
            ROLE: [c.role.value for c in spec.channels],
            LEG: [c.leg for c in spec.channels],
        }
        for name, entries in texts.items():
            create_labels(group, name, entries)
        scale = [[c.gain, c.offset, c.accuracy.of_reading, c.accuracy.constant] for c in spec.channels]
        group.create_dataset(SCALE, data=np.array(scale, dtype="<f8"))
        for name, dtype, tail in _growing(spec):
            row_bytes = np.dtype(dtype).itemsize * int(np.prod(tail, dtype=np.int64))
            rows = max(1, _CHUNK_BYTES // row_bytes) if name == SAMPLES else _SMALL_CHUNK
            group.create_dataset(
                name, shape=(0, *tail), maxshape=(None, *tail), chunks=(rows, *tail), dtype=dtype, **filters
            )


def paths(sources: Sequence[str]) -> Iterator[str]:
    """Paths of all datasets of ``/bursts`` in hash order."""
    for source in sorted(sources):
        for name in (*LABELS, SCALE, *GROWING):
            yield f"{BURSTS}/{source}/{name}"


def types(spec: BurstSpec) -> dict[str, tuple[str, int | None]]:
    """Type and length of the second axis of the datasets of a source, by path, for :func:`trusted.dataset`."""
    base = f"{BURSTS}/{spec.source}"
    found: dict[str, tuple[str, int | None]] = {f"{base}/{name}": ("S", None) for name in LABELS}
    found[f"{base}/{SCALE}"] = ("<f8", len(SCALE_COLUMNS))
    for name, dtype, tail in _growing(spec):
        found[f"{base}/{name}"] = ("S" if name == REASON else dtype, tail[0] if tail else None)
    return found


def _growing(spec: BurstSpec) -> tuple[tuple[str, str, tuple[int, ...]], ...]:
    return (
        (SAMPLES, spec.sample_type, (len(spec.channels),)),
        (GAPS, "<i8", (2,)),
        (RATE, "<f8", ()),
        (REASON, f"S{REASON_BYTES}", ()),
        (INDEX, "<i8", (len(INDEX_COLUMNS),)),
    )


def check_samples(spec: BurstSpec, record: BurstRecord) -> None:
    """Raise UsageError where the samples of a burst do not fit its source."""
    samples = record.samples
    if not len(samples) or samples.dtype != np.dtype(spec.sample_type) or samples.shape[1:] != (len(spec.channels),):
        raise UsageError(
            "samples of a burst do not fit",
            where=f"burst source {spec.source!r}",
            got=f"{samples.dtype.str} {samples.shape}",
            expected=f"{spec.sample_type} (rows, {len(spec.channels)})",
        )


def append(file: Any, spec: BurstSpec, record: BurstRecord) -> None:
    """Add a burst, and hand it to the system: first what the index row points at, then the row.

    Raises:
        UsageError: the samples do not fit the source.
        OSError, RuntimeError: from HDF5; then the burst is not in the index.
    """
    check_samples(spec, record)
    samples = np.ascontiguousarray(record.samples)
    group = file[BURSTS][spec.source]
    index = group[INDEX][:]
    # after the last burst of the index: what a write that failed left behind is written over
    first_row = int(index[-1, 1] + index[-1, 2]) if len(index) else 0
    first_gap = int(index[-1, 3] + index[-1, 4]) if len(index) else 0
    count = len(index)
    gaps = np.asarray(record.gaps, dtype=np.int64).reshape(-1, 2)
    _put(group[SAMPLES], first_row, samples)
    _put(group[GAPS], first_gap, gaps)
    _put(group[RATE], count, np.array([record.sample_rate_hz]))
    _put(group[REASON], count, np.array([_cut(record.reason)], dtype=f"S{REASON_BYTES}"))
    file.flush()
    row = (
        record.number,
        first_row,
        len(samples),
        first_gap,
        len(gaps),
        record.first_counter,
        record.trigger_sample,
        record.trigger_ns,
        record.u_trigger_ns,
        record.missing,
    )
    _put(group[INDEX], count, np.array([row], dtype=np.int64))
    file.flush()


def _put(dataset: Any, start: int, rows: npt.NDArray[np.generic]) -> None:
    dataset.resize(start + len(rows), axis=0)
    if len(rows):
        dataset[start:] = rows


def _cut(text: str) -> bytes:
    """UTF-8 of at most ``REASON_BYTES``, never cut inside a sign."""
    return text.encode()[:REASON_BYTES].decode("utf-8", "ignore").encode()


def read_specs(file: Any, path: Path) -> tuple[BurstSpec, ...]:
    """Burst sources of an open run file of the format that has them."""
    specs = []
    for source in sorted(trusted.group(file, path, BURSTS)):
        if not layout.is_safe_name(source):
            trusted.damaged(path, BURSTS, "has a source with a strange name", got=source[:60])
        specs.append(_read_spec(file, path, source))
    return tuple(specs)


def _read_spec(file: Any, path: Path, source: str) -> BurstSpec:
    base = f"{BURSTS}/{source}"
    texts = [trusted.labels(file, path, f"{base}/{name}") for name in LABELS]
    scale = trusted.dataset(file, path, f"{base}/{SCALE}", "<f8", len(SCALE_COLUMNS))[:]
    if len({len(scale), *map(len, texts)}) != 1:
        trusted.damaged(path, base, "channels differ in number")
    samples = trusted.find(file, path, f"{base}/{SAMPLES}")
    sample_type = getattr(getattr(samples, "dtype", None), "str", "")
    if sample_type not in _SAMPLE_TYPES:
        trusted.damaged(path, f"{base}/{SAMPLES}", "has the wrong type", got=sample_type)
    channels = []
    for (name, unit, quantity, label, role, leg), numbers in zip(zip(*texts, strict=True), scale, strict=True):
        try:
            gain, offset, of_reading, constant = (float(x) for x in numbers)
            accuracy = Accuracy(of_reading, constant)
            channel = BurstChannel(name, label, Quantity(quantity), gain, offset, BurstRole(role), leg, accuracy)
        except ValueError as error:
            trusted.damaged(path, base, f"channel {name[:40]!r}: {error}")
        if channel.unit != unit:
            trusted.damaged(path, base, f"channel {name[:40]!r} has another unit", got=unit, expected=channel.unit)
        channels.append(channel)
    return BurstSpec(source, tuple(channels), sample_type)


def count(datasets: Mapping[str, Any], source: str) -> int:
    """Number of bursts of a source."""
    return int(datasets[f"{BURSTS}/{source}/{INDEX}"].shape[0])


def read_all(datasets: Mapping[str, Any], path: Path, specs: Sequence[BurstSpec]) -> Iterator[Burst]:
    """All bursts, by source and number, one in memory at a time."""
    for spec in specs:
        base = f"{BURSTS}/{spec.source}"
        with trusted.reading(path):
            index = datasets[f"{base}/{INDEX}"][:]
            rates, reasons, gaps = (datasets[f"{base}/{name}"] for name in (RATE, REASON, GAPS))
            samples = datasets[f"{base}/{SAMPLES}"]
            lengths = {"rates": len(rates), "reasons": len(reasons)}
        for i, row in enumerate(index.tolist()):
            number, first_row, rows, first_gap, count, first_counter, trigger_sample, trigger_ns, u_ns, missing = row
            is_inside = first_row >= 0 and 0 < rows <= len(samples) - first_row
            is_inside &= first_gap >= 0 and 0 <= count <= len(gaps) - first_gap and i < min(lengths.values())
            if not is_inside:
                trusted.damaged(path, f"{base}/{INDEX}", f"row {i} points beyond what is there")
            with trusted.reading(path):
                own = gaps[first_gap : first_gap + count]
                if len(own) and not (
                    np.all(own[:, 1] > 0) and np.all(np.diff(own[:, 0], prepend=0) >= 0) and own[-1, 0] <= rows
                ):
                    trusted.damaged(path, f"{base}/{GAPS}", f"gaps of burst {number} do not lie inside it")
                record = BurstRecord(
                    source=spec.source,
                    number=number,
                    reason=bytes(reasons[i]).rstrip(b"\0").decode("utf-8", "replace"),
                    sample_rate_hz=float(rates[i]),
                    first_counter=first_counter,
                    trigger_sample=trigger_sample,
                    trigger_ns=trigger_ns,
                    u_trigger_ns=u_ns,
                    missing=missing,
                    gaps=own,
                    samples=samples[first_row : first_row + rows],
                )
            yield Burst(record, spec.channels)
