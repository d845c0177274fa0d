"""From a run file to a folder of files: chosen, written aside, and put in place when all of it is there."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchkit.errors import UsageError, did_you_mean
from benchkit.export import csv_file, matlab, mdf4, parquet
from benchkit.export.about import About, about, write_about, write_events
from benchkit.export.bursts import write_bursts
from benchkit.runfile.reader import Run, open_run
from benchkit.runfile.selection import Chosen, Column, choose
from benchkit.runfile.verify import require_closed

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Format:
    """How a run becomes files of one kind."""

    suffix: str
    is_per_stream: bool
    """One file a stream; else one file for all of them."""
    names: Callable[[Sequence[Column]], tuple[str, ...]]
    write: Callable[[Path, Run, Sequence[Chosen], About, Callable[[int], None]], None]


FORMATS: dict[str, Format] = {
    "csv": Format(".csv", True, csv_file.names, csv_file.write),
    "parquet": Format(".parquet", True, parquet.names, parquet.write),
    "mdf4": Format(".mf4", False, mdf4.names, mdf4.write),
    "mat": Format(".mat", True, matlab.names, matlab.write),
}


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written."""

    folder: Path
    files: tuple[Path, ...]
    rows: dict[str, int]
    """By source."""
    events: int
    size_bytes: int


def export_run(
    path: Path,
    out: Path,
    to: str,
    *,
    sources: Sequence[str] = (),
    channels: Sequence[str] = (),
    start_s: float | None = None,
    stop_s: float | None = None,
    progress: Progress | None = None,
) -> Exported:
    """Export a closed run to the new folder ``out/<name of the run>_<to>``.

    ``start_s <= time_s < stop_s`` bounds the sample time; ``progress`` is called with rows done and rows in all. Memory
    stays bounded for every length of run, except that ``mat`` holds a few whole columns. Beside the samples lie the
    events as CSV, and run, columns and events as JSON. Every burst of the run becomes a file of its own.

    Raises:
        UsageError: an unknown format, source or channel, a missing library, or a folder that is there or cannot be
            written. Nothing is left behind.
        RunFileError: the run is not closed, or no longer what was recorded.
    """
    path = Path(path)
    if to not in FORMATS:
        raise UsageError(
            "no such format", where="export", got=to, expected=", ".join(FORMATS), remedy=did_you_mean(to, FORMATS)
        )
    with open_run(path) as run:
        require_closed(run)
        parts = choose(run, sources=sources, channels=channels, start_s=start_s, stop_s=stop_s)
        if not any(part.rows for part in parts):
            raise UsageError(
                "nothing to export: no rows in this choice", where=str(path), remedy="Choose another span."
            )
        folder = Path(out) / f"{path.stem}_{to}"
        if folder.exists():
            raise UsageError(
                "is there already",
                where=str(folder),
                remedy="Nothing is overwritten: move it, or choose another --out.",
            )
        unfinished = folder.with_name(f"{folder.name}.unfinished")
        if unfinished.exists():
            raise UsageError(
                "another export is writing this, or was killed",
                where=str(unfinished),
                remedy="If none is running, delete the folder.",
            )
        run.verify()  # what is handed on names the content hash: it has to be true
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            unfinished.mkdir()
            try:
                told = _write(run, parts, to, unfinished, path.stem, progress)
                unfinished.rename(folder)
            except BaseException:
                shutil.rmtree(unfinished, ignore_errors=True)
                raise
        except OSError as error:
            raise UsageError(
                f"cannot write: {error.strerror or error}",
                where=str(error.filename or folder),
                remedy="Check the folder and the room on the disk. No half written file stays; the run is untouched.",
            ) from error
        files = tuple(sorted(folder.iterdir()))
        return Exported(
            folder=folder,
            files=files,
            rows={part.source: part.rows for part in parts},
            events=len(told.events),
            size_bytes=sum(file.stat().st_size for file in files),
        )


def _write(run: Run, parts: Sequence[Chosen], to: str, folder: Path, stem: str, progress: Progress | None) -> About:
    form = FORMATS[to]
    parts = [_renamed(part, form.names(part.columns)) for part in parts]
    told = about(run, parts)
    total, done = sum(part.rows for part in parts), 0

    def tick(rows: int) -> None:
        nonlocal done
        done += rows
        if progress is not None:
            progress(done, total)

    if form.is_per_stream:
        files = [folder / f"{stem}.{name}{form.suffix}" for name in _file_names(parts)]
        for file, part in zip(files, parts, strict=True):
            form.write(file, run, [part], told, tick)
    else:
        files = [folder / f"{stem}{form.suffix}"]
        form.write(files[0], run, parts, told, tick)
    write_events(folder / f"{stem}_events.csv", told.events)
    bursts = write_bursts(folder, stem, run, to)
    write_about(folder / f"{stem}_about.json", told, parts, [file.name for file in files], bursts)
    return told


def _renamed(part: Chosen, names: Sequence[str]) -> Chosen:
    columns = tuple(replace(column, name=name) for column, name in zip(part.columns, names, strict=True))
    return replace(part, columns=columns)


def _file_names(parts: Sequence[Chosen]) -> list[str]:
    """Names of the sources, told apart where a file system takes upper and lower case for the same."""
    names: list[str] = []
    for part in parts:
        is_taken = part.source.casefold() in {name.casefold() for name in names}
        names.append(f"{part.source}-{len(names) + 1}" if is_taken else part.source)
    return names
