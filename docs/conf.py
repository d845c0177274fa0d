"""The documentation as a site: ``python3 run.py docs``, or ``sphinx-build -W --keep-going docs docs/_build/html``.

Nothing is fetched, neither when the site is built nor when it is read.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from page_api import write_pages
from pygments.lexers.shell import BashLexer
from pygments.lexers.special import TextLexer
from sphinx.application import Sphinx

from benchkit import __version__
from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION

project = "benchkit"
author = "the benchkit contributors"
copyright = "the benchkit contributors, MIT licence"
release = version = __version__

extensions = ["myst_parser"]
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 4
exclude_patterns = ["_build"]
highlight_language = "none"
html_theme = "alabaster"
html_title = f"benchkit {__version__}"
html_static_path = ["static"]
html_copy_source = False
html_show_sourcelink = False
html_theme_options = {
    "description": f"Bench runs of inverter, motor and propeller. {NOT_A_SAFETY_FUNCTION}",
    "page_width": "1180px",
    "sidebar_width": "240px",
    "body_text_align": "left",
    "fixed_sidebar": False,
    "show_powered_by": False,
    "show_relbars": True,
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}

write_pages()  # before Sphinx looks for its sources


def setup(app: Sphinx) -> None:
    """Commands are shown as what one types, diagrams as their text: drawing them would take a program from the net."""
    app.add_lexer("console", BashLexer)
    app.add_lexer("mermaid", TextLexer)
