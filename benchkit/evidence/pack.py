"""Evidence pack: one zip with runs, profiles, calibrations, events, photos, report, checksums and signature.

The same inputs give the same bytes: order and times are fixed, and nothing is compressed (the runs, which are nearly
all of it, are compressed inside; other versions of a compressor would give other bytes).
"""

from __future__ import annotations

import hashlib
import json
import shlex
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from zipfile import ZIP_STORED, ZipFile, ZipInfo

from benchkit import __version__
from benchkit.errors import DataError, UsageError
from benchkit.evidence import sums
from benchkit.evidence.contents import calibrations_text, events_text, read_me
from benchkit.evidence.names import Names
from benchkit.evidence.signature import PIECE, SUFFIX, signature_text
from benchkit.model.results_maps import Duty
from benchkit.report.gather import gather
from benchkit.report.model import ReportModel, RunReport
from benchkit.report.numbers import json_text
from benchkit.report.page import render
from benchkit.report.pdf import pdf_bytes
from benchkit.report.sections import build_report
from benchkit.runfile.exclusions import exclusions_path
from benchkit.runfile.photos import NamedPhoto, named_photos
from benchkit.runfile.verify import check_run

FORMAT, FORMAT_VERSION = "benchkit evidence pack", 1
CONTENTS = "pack.json"
READ_ME = "README.txt"
SIGNATURE = sums.NAME + SUFFIX
REPORT_JSON = "report/report.json"
_WHEN = (1980, 1, 1, 0, 0, 0)
"""The least time that a zip can tell: it says that it tells none."""
_UNIX, _MODE = 3, 0o100644 << 16

Content = bytes | Path


@dataclass(frozen=True, slots=True)
class Packed:
    """A pack that was written."""

    path: Path
    files: tuple[str, ...]
    size_bytes: int
    fingerprint_signed: bool
    model: ReportModel
    left_out: tuple[str, ...] = ()
    """Photos that the event logs name and the pack does not hold, each with the reason."""


def write_pack(
    runs: Sequence[Path],
    out: Path,
    *,
    key: Path | None,
    plan: Path | None = None,
    loads: tuple[Path, Duty] | None = None,
    attached: Sequence[Path] = (),
    progress: Callable[[str], None] | None = None,
) -> Packed:
    """Check the runs, make their report and pack all into ``out``, whole or not at all.

    ``key`` is the private key that signs; None leaves the pack unsigned. ``loads`` are put over the maps of the report
    and packed. The same inputs give the same bytes.

    Raises:
        UsageError: an input is missing, is named twice or would be replaced; no key; the extra ``pdf`` is missing.
        DataError: a run is not closed, or not what was recorded.
    """
    given = [*runs, *([plan] if plan else []), *([loads[0]] if loads else []), *attached]
    _check_paths(given, out)
    tell = progress if progress is not None else lambda _: None
    for run in runs:
        tell(f"checking {run.name}")
        found = check_run(run)
        if not found.is_good:
            raise DataError(f"no evidence: {found.verdict.value}. {found.message}", where=str(run))
    reports = gather(runs, tell, loads[1] if loads else None)
    model = build_report(reports)
    photos = [list(named_photos(path, report.events)) for path, report in zip(runs, reports, strict=True)]
    members = dict(_members(runs, reports, photos, plan, loads, attached))
    left_out = [
        f"run {report.label}, photo {photo.name}: {photo.fault}"
        for report, seen in zip(reports, photos, strict=True)
        for photo in seen
        if photo.fault
    ]
    tell("drawing")
    members |= {
        "report/report.html": render(model).encode(),
        "report/report.pdf": pdf_bytes(model),
        REPORT_JSON: json_text(model).encode(),
    }
    members[CONTENTS] = _contents(reports, members, is_signed=key is not None).encode()
    again = " ".join(shlex.quote(name) for name in _inputs(reports, members))
    members[READ_ME] = read_me(reports, [*members, READ_ME], again, left_out, is_signed=key is not None).encode()
    tell("packing")
    files = _write(out, members, key)
    return Packed(out, tuple(files), out.stat().st_size, key is not None, model, tuple(left_out))


def _check_paths(given: Sequence[Path], out: Path) -> None:
    for path in given:
        if not path.is_file():
            raise UsageError("no such file", where=str(path))
    if out.resolve() in {path.resolve() for path in given}:
        raise UsageError("the pack would replace an input", where=out.name, remedy="Name another file for the pack.")
    if not out.parent.is_dir():
        raise UsageError("the folder of the pack does not exist", where=str(out.parent), remedy="Make it first.")


def _members(
    runs: Sequence[Path],
    reports: Sequence[RunReport],
    photos: Sequence[Sequence[NamedPhoto]],
    plan: Path | None,
    loads: tuple[Path, Duty] | None,
    attached: Sequence[Path],
) -> Iterator[tuple[str, Content]]:
    for path, report, seen in zip(runs, reports, photos, strict=True):
        names = Names(f"runs/{report.label}")
        run_name = names.of(path.name)
        yield run_name, path
        beside = exclusions_path(path)
        if beside.is_file():
            yield f"{run_name}{beside.name.removeprefix(path.name)}", beside
        yield names.of("calibrations.json"), calibrations_text(report).encode()
        yield names.of("events.txt"), events_text(report).encode()
        album = Names(f"runs/{report.label}/photos")
        for photo in seen:
            if not photo.fault:
                yield album.of(photo.name), photo.path
        profiles = Names(f"runs/{report.label}/profile")
        for name, text in sorted(report.header.profile_texts.items()):
            yield profiles.of(name), text.encode()
        yield profiles.of("resolved.json"), report.header.profile_json.encode()
    if plan is not None:
        yield Names("plan").of(plan.name), plan
    if loads is not None:
        yield Names("loads").of(loads[0].name), loads[0]
    more = Names("attached")
    for path in attached:
        yield more.of(path.name), path


def _run_files(reports: Sequence[RunReport], members: Mapping[str, Content]) -> list[str]:
    """Path in the pack of each run: the first member of its folder."""
    return [next(name for name in members if name.startswith(f"runs/{report.label}/")) for report in reports]


def _inputs(reports: Sequence[RunReport], members: Mapping[str, Content]) -> Iterator[str]:
    """What ``benchkit report`` takes to make the report again."""
    yield from _run_files(reports, members)
    for name in members:
        if name.startswith("loads/"):
            yield from ("--duty", name)


def _contents(reports: Sequence[RunReport], members: Mapping[str, Content], *, is_signed: bool) -> str:
    """What a program needs to know of the pack."""
    files = _run_files(reports, members)
    body = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "software_version": __version__,
        "is_signed": is_signed,
        "runs": [
            {
                "label": report.label,
                "file": file,
                "run_id": report.header.run_id,
                "content_sha256": report.content_sha256,
                "is_simulated": report.header.simulated,
            }
            for report, file in zip(reports, files, strict=True)
        ],
    }
    return json.dumps(body, ensure_ascii=False, indent=1) + "\n"


def _write(out: Path, members: Mapping[str, Content], key: Path | None) -> list[str]:
    """Members in the order of their names, the read-me first; then the checksums of what was written, then the
    signature."""
    order = sorted(members, key=lambda name: (name != READ_ME, name))
    handle = tempfile.NamedTemporaryFile(dir=out.parent, prefix=f".{out.name}.", delete=False)  # noqa: SIM115 - renamed
    part = Path(handle.name)
    try:
        with handle, ZipFile(handle, "w", ZIP_STORED) as archive:
            listed = {name: _add(archive, name, members[name]) for name in order}
            text = sums.sums_text(listed).encode()
            digest = _add(archive, sums.NAME, text)
            if key is not None:
                _add(archive, SIGNATURE, signature_text(sums.NAME, digest, key).encode())
        part.chmod(0o644)
        part.replace(out)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return [*order, sums.NAME, *([SIGNATURE] if key is not None else [])]


def _add(archive: ZipFile, name: str, content: Content) -> str:
    """Write one member; returns the SHA-256 of the bytes that went in."""
    info = ZipInfo(name, _WHEN)
    info.create_system, info.external_attr = _UNIX, _MODE
    info.file_size = len(content) if isinstance(content, bytes) else content.stat().st_size
    digest = hashlib.sha256()
    with archive.open(info, "w") as target:
        for piece in [content] if isinstance(content, bytes) else _pieces(content):
            digest.update(piece)
            target.write(piece)
    return digest.hexdigest()


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as stream:
        while piece := stream.read(PIECE):
            yield piece
