"""The page about the interlock shows both tables, of the interlock and of alarms. Run this file to draw it anew."""

from __future__ import annotations

import re
from pathlib import Path

from benchkit.protect import alarms, interlock
from benchkit.protect.tables import table_markdown

PAGE = Path(__file__).parents[2] / "docs" / "background" / "interlock.md"
MARK = "<!-- drawn from the table: python tests/protect/test_interlock_page.py -->\n"
TABLES = ((interlock, "state"), (alarms, "life"))


def drawn(text: str) -> str:
    """The page with all pictures as the tables have them now: of each table the diagram and the list."""
    for index, (table, what) in enumerate(TABLES):
        parts = text.split(MARK)
        after = re.sub(r"\A(\|.*\n)+", "", parts[2 * index + 2])
        parts[2 * index + 1] = f"```mermaid\n{table.mermaid()}```\n\n"
        parts[2 * index + 2] = f"{table_markdown(table.TABLE, what)}{after}"
        text = MARK.join(parts)
    return text


def test_the_page_shows_the_tables():
    text = PAGE.read_text(encoding="utf-8")
    assert text.count(MARK) == 2 * len(TABLES)
    assert text == drawn(text), "out of date: run python tests/protect/test_interlock_page.py"


if __name__ == "__main__":
    PAGE.write_text(drawn(PAGE.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
