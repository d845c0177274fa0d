"""Make the generated parts of the documentation again: ``python3 run.py docs``.

Pictures come from the real programs: a recorder on the simulated stand, the dashboard, the figures of a report.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

from pictures import make_dashboard_pictures

from benchkit.report.figures import draw
from benchkit.report.gather import gather
from benchkit.report.model import ReportModel
from benchkit.report.sections import build_report

PICTURES = HERE / "pictures"
FIGURES = {"efficiency_map.svg": "map-drive", "static_thrust.svg": "thrust"}
"""Picture -> beginning of the id of the figure in the report of the sample runs."""


def main() -> int:
    """Figures of the report, pictures of the dashboard, the page of the interlock."""
    PICTURES.mkdir(exist_ok=True)
    samples = [ROOT / "sample_runs" / name / "run.h5" for name in ("big_motor_map", "propeller_static")]
    model = build_report(gather(samples))
    for name, start in FIGURES.items():
        (PICTURES / name).write_text(_figure(model, start), encoding="utf-8")
    make_dashboard_pictures(PICTURES)
    subprocess.run([sys.executable, ROOT / "tests" / "protect" / "test_interlock_page.py"], check=True, cwd=ROOT)
    for path in sorted(PICTURES.iterdir()):
        print(path.relative_to(ROOT))
    return 0


def _figure(model: ReportModel, start: str) -> str:
    figures = [block for section in model.sections for block in section.blocks if hasattr(block, "description")]
    wanted = [figure for figure in figures if figure.id.startswith(start)]
    if not wanted:
        raise SystemExit(f"the report has no figure {start!r}; it has {', '.join(f.id for f in figures)}")
    return draw(wanted[0])


if __name__ == "__main__":
    sys.exit(main())
