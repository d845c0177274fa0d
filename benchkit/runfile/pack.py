"""A smaller copy of a closed run: the same content, compressed, under the same content hash."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchkit.errors import RunFileError
from benchkit.runfile import layout
from benchkit.runfile.hashing import Progress, pieces
from benchkit.runfile.reader import Run, open_run
from benchkit.runfile.store import create_file, create_layout, set_root_attribute


def pack(path: Path, target: Path, progress: Progress | None = None) -> None:
    """Write a compressed copy of a closed run at ``target`` and verify it. ``path`` stays as it is.

    Recording does not compress: a recorder does not have the time. ``progress`` is called with bytes done and bytes in
    all, anew for checking the run and for checking its copy.

    Raises:
        RunFileError: the run is not closed or not whole, ``target`` exists, or the disk is full.
    """
    with open_run(Path(path)) as run:
        run.verify(progress)
        file = create_file(Path(target))
        try:
            with file:
                _copy(run, file)
            with open_run(Path(target)) as copy:
                copy.verify(progress)
        except OSError as error:
            Path(target).unlink(missing_ok=True)
            raise RunFileError(
                f"cannot write the copy: {str(error).splitlines()[0]}",
                where=str(target),
                remedy="Make room on the disk.",
            ) from error
        except BaseException:
            Path(target).unlink(missing_ok=True)
            raise


def _copy(run: Run, file: Any) -> None:
    specs = [run.spec(source) for source in run.sources]
    has = {"has_clock": run.has_clock, "has_pyramid": run.has_pyramid}
    create_layout(file, run.header, specs, compress=True, bursts=run.burst_specs, **has)
    for name, dataset in [*run.datasets.items(), *run.pyramid_datasets()]:
        into = file[name]
        if into.maxshape[0] is not None:  # names stand there already
            continue
        rows = int(dataset.shape[0])
        into.resize(rows, axis=0)
        done = 0
        for piece in pieces(dataset, 0, rows):
            into[done : done + len(piece)] = piece
            done += len(piece)
    running = [text.encode() for text in run.running_sha256().values()]
    file[layout.RUNNING_SHA256].resize(len(running), axis=0)
    file[layout.RUNNING_SHA256][:] = running
    set_root_attribute(file, layout.CONTENT_SHA256, run.content_sha256.encode())
    if run.has_pyramid:
        set_root_attribute(file, layout.PYRAMID_SHA256, run.pyramid_sha256.encode())
    set_root_attribute(file, layout.CLOSED, 1)
