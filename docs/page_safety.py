"""docs/safety.md: the cautions of ``model/cautions.py``, the one place they are written."""

from __future__ import annotations

from page_tools import GENERATED

from benchkit.model.cautions import CAUTIONS, ONE_LINE

TAIL = """\
## What the program does about it

- Limits, trips and stops are told with the sentence that a software trip is not a safety function: on the command
  line, in the dashboard, in the report.
- Nothing that protects has a default, and a profile with a fault is refused whole.
- What could not be measured is *not measured*, never zero, and a limit on a channel that fell silent acts.
- A stop command that is not acknowledged is repeated, and said to be without answer.

[What a trip is not](background/software-trips.md) says why; [the interlock](background/interlock.md) says what
happens when one comes; [prove the limits](howto/prove.md) shows before a run that each of them acts.
"""


def page() -> str:
    """The whole page."""
    lines = ["# Safety cautions", "", GENERATED, "", f"> {ONE_LINE}", ""]
    for caution in CAUTIONS:
        lines += [f"## {caution.heading}", "", caution.text, ""]
    return "\n".join([*lines, TAIL])
