"""The page about the interlock shows the table as it is. Run this file to draw it anew."""

from __future__ import annotations

import re
from pathlib import Path

from benchkit.protect.interlock import mermaid, table_markdown

PAGE = Path(__file__).parents[2] / "docs" / "background" / "interlock.md"
MARK = "<!-- drawn from the table: python tests/protect/test_interlock_page.py -->\n"


def drawn(text: str) -> str:
    """The page with both pictures as the table has them now: the diagram and the list."""
    before, _, rest = text.partition(MARK)
    after = rest.partition(MARK)[2]
    after = re.sub(r"\A(\|.*\n)+", "", after)
    return f"{before}{MARK}```mermaid\n{mermaid()}```\n\n{MARK}{table_markdown()}{after}"


def test_the_page_shows_the_table():
    text = PAGE.read_text(encoding="utf-8")
    assert text.count(MARK) == 2
    assert text == drawn(text), "out of date: run python tests/protect/test_interlock_page.py"


if __name__ == "__main__":
    PAGE.write_text(drawn(PAGE.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
