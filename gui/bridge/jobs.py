"""What is worked out in a process of its own, and that process: ``python -m gui.bridge.jobs``."""

from __future__ import annotations

import os
import pickle
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchkit.errors import BenchkitError
from gui.bridge.frames import DONE, FAILED, PART, TOLD, framed
from gui.state.flag_book import FlagCount, count_flags
from gui.state.result_pages import Results, compared, reported

if TYPE_CHECKING:
    from benchkit.model.results_maps import Duty
    from gui.state.stretch import StretchResult

Say = Callable[[str, Any], None]


def results(say: Say, paths: tuple[Path, ...], duty_path: Path | None = None) -> Results:
    """Everything that the report says of some runs, as pages."""
    from benchkit.report.gather import gather

    duty: Duty | None = None
    if duty_path is not None:
        from benchkit.cli.duty_file import read_duty

        duty = read_duty(duty_path)
    return reported(gather(list(paths), lambda name: say(TOLD, f"Reading and analysing {name} …"), duty), paths)


def comparison(say: Say, a: tuple[Path, ...], b: tuple[Path, ...]) -> Results:
    """What the report of a comparison says, as pages."""
    from benchkit.analysis.compare.comparison import compare
    from benchkit.report.gather_compare import gather_sides
    from benchkit.report.sections_compare import build_comparison

    runs_a, runs_b, reports = gather_sides(list(a), list(b), lambda text: say(TOLD, f"{text} …"))
    say(TOLD, "Comparing …")
    return compared(build_comparison(compare(runs_a, runs_b), reports), (*a, *b))


def report(say: Say, paths: tuple[Path, ...], duty_path: Path | None, out: Path) -> Path:
    """Write the page of the report on some runs."""
    from benchkit.report.page import write_report

    duty = None
    if duty_path is not None:
        from benchkit.cli.duty_file import read_duty

        duty = read_duty(duty_path)
    write_report(list(paths), out, progress=lambda text: say(TOLD, f"{text} …"), duty=duty)
    return out


def comparison_report(say: Say, a: tuple[Path, ...], b: tuple[Path, ...], out: Path) -> Path:
    """Write the page of a comparison."""
    from benchkit.analysis.compare.comparison import compare
    from benchkit.report.gather_compare import gather_sides
    from benchkit.report.page import check_out, render, write_text
    from benchkit.report.sections_compare import build_comparison

    check_out(out, [*a, *b])
    runs_a, runs_b, reports = gather_sides(list(a), list(b), lambda text: say(TOLD, f"{text} …"))
    write_text(out, render(build_comparison(compare(runs_a, runs_b), reports)))
    return out


def flags(say: Say, folder: Path, names: tuple[str, ...]) -> None:
    """The open flags of runs, each told when it is known: pairs of name and :class:`FlagCount`."""
    from benchkit.report.gather import gather

    os.nice(10) if hasattr(os, "nice") else None
    for i, name in enumerate(names):
        say(TOLD, f"Looking for open flags: {i + 1} of {len(names)}, {name}")
        try:
            (run,) = gather([folder / name])
        except BenchkitError as error:
            say(PART, (name, FlagCount(reason=str(error))))
            continue
        say(PART, (name, count_flags(run)))


def export(
    say: Say, path: Path, out: Path, start_s: float | None, stop_s: float | None, channels: tuple[str, ...]
) -> Path:
    """Export a stretch as CSV; the folder that was written."""
    from benchkit.export.export import export_run

    def progress(done: int, total: int) -> None:
        say(TOLD, f"Writing {100 * done // max(total, 1)} % of {total} rows …")

    say(TOLD, "Checking that the run is what was recorded …")
    found = export_run(path, out, "csv", start_s=start_s, stop_s=stop_s, channels=channels, progress=progress)
    return found.folder


def stretch(say: Say, path: Path, start_s: float, end_s: float) -> StretchResult:
    """The operating point of a stretch that is too long to be averaged at once in a window."""
    from gui.state.recorded import load_recorded
    from gui.state.stretch import stretch_result

    say(TOLD, "Averaging …")
    model = load_recorded(path)
    try:
        return stretch_result(model, start_s, end_s)
    finally:
        model.close()


JOBS: dict[str, Callable[..., Any]] = {
    f.__name__: f for f in (results, comparison, report, comparison_report, flags, export, stretch)
}


def main() -> int:
    """Read what to do from standard input, say on standard output what comes of it."""
    out = sys.stdout.buffer
    sys.stdout = sys.stderr  # a print somewhere must not get between the frames

    def say(kind: str, what: Any) -> None:
        out.write(framed((kind, what)))
        out.flush()

    name, arguments = pickle.loads(sys.stdin.buffer.read())  # noqa: S301 - from our own window
    try:
        say(DONE, JOBS[name](say, *arguments))
    except BenchkitError as error:
        say(FAILED, str(error))
    except MemoryError:
        say(FAILED, "Not enough memory for this.")
    except Exception as error:
        say(FAILED, f"{type(error).__name__}: {error}")
        raise
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
