"""Make the documentation again: ``python3 run.py docs``.

Without arguments: pictures, generated pages, and the site in ``docs/_build/html``; the build fails on any warning.
Pictures come from the real programs: a recorder on the simulated stand, the dashboard, the figures of a report.
``--keep-pictures`` leaves the pictures as they are, ``--keep-validation`` the validation page, whose numbers take a
minute; ``--pages`` writes the pages and builds no site.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

import page_validation
from page_all import PAGES
from pictures import make_dashboard_pictures
from walkthrough import make_pictures as make_walkthrough

from benchkit.report.figure_files import write_figure
from benchkit.report.gather import gather
from benchkit.report.model import Figure, Listing, Paragraph, ReportModel, Table
from benchkit.report.sections import build_report

PICTURES = HERE / "pictures"
SITE = HERE / "_build" / "html"
FIGURES = {"efficiency_map.svg": "map-drive", "static_thrust.svg": "thrust"}
"""Picture -> beginning of the id of the figure in the report of the sample runs."""


def main(argv: Sequence[str] | None = None) -> int:
    """Pictures, pages, site; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python3 run.py docs", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--keep-pictures", action="store_true", help="leave the pictures as they are")
    parser.add_argument("--keep-validation", action="store_true", help="leave the validation page as it is")
    parser.add_argument("--pages", action="store_true", help="write the pages, build no site")
    args = parser.parse_args(argv)
    if not args.keep_pictures:
        make_pictures()
    write_pages()
    if not args.keep_validation:
        _write("reference/validation.md", page_validation.page(page_validation.measured()))
    return 0 if args.pages else build_site(SITE)


def make_pictures() -> None:
    """Figures of the report, pictures of the dashboard, the page of the interlock."""
    PICTURES.mkdir(exist_ok=True)
    samples = [ROOT / "sample_runs" / name / "run.h5" for name in ("big_motor_map", "propeller_static")]
    model = build_report(gather(samples))
    for name, start in FIGURES.items():
        write_figure(_figure(model, start), PICTURES / name)
    make_dashboard_pictures(PICTURES)
    make_walkthrough(HERE / "tutorial")
    subprocess.run([sys.executable, ROOT / "tests" / "protect" / "test_interlock_page.py"], check=True, cwd=ROOT)
    for path in sorted(PICTURES.iterdir()):
        print(path.relative_to(ROOT))


def write_pages() -> None:
    """The pages that are written from the program."""
    for name, page in PAGES.items():
        _write(name, page())


def build_site(out: Path) -> int:
    """Build the site; any warning is an error, and all of them are listed."""
    options = ["-W", "--keep-going", "-q", "-b", "html", "-d", str(out.parent / f"{out.name}_doctrees")]
    code = subprocess.call([sys.executable, "-m", "sphinx", *options, str(HERE), str(out)], cwd=ROOT)
    print(f"docs: {out / 'index.html'}" if code == 0 else "docs: the site has faults, see above", flush=True)
    return code


def _write(name: str, text: str) -> None:
    (HERE / name).write_text(text.rstrip("\n") + "\n", encoding="utf-8")
    print(f"docs/{name}", flush=True)


def _figure(model: ReportModel, start: str) -> Figure:
    blocks = [block for section in model.sections for block in section.blocks]
    figures = [block for block in blocks if not isinstance(block, Table | Paragraph | Listing)]
    wanted = [figure for figure in figures if figure.id.startswith(start)]
    if not wanted:
        raise SystemExit(f"the report has no figure {start!r}; it has {', '.join(f.id for f in figures)}")
    return wanted[0]


if __name__ == "__main__":
    sys.exit(main())
