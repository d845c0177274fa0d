"""Text that a spreadsheet would take for a formula is kept from running.

Source: OWASP Application Security Verification Standard 5.0, requirement 1.2.10: a field that begins with ``= + - @``,
tab or NUL is escaped with a single quote. Carriage return, line feed and the full-width forms are added from memory of
the same organisation's page "CSV Injection". Numbers are written as numbers and are not touched.
"""

from __future__ import annotations

import re

_STARTERS = ("=", "+", "-", "@", "\t", "\0", "\r", "\n", "＝", "＋", "－", "＠")
"""The last four are the full-width forms, which spreadsheets in East Asian settings take for the others."""
_CONTROL = re.compile("[\\x00-\\x1f\\x7f-\\x9f\\u2028\\u2029]")


def one_line(text: str) -> str:
    """The text with spaces for control characters: a name has to fit in one line.

    >>> one_line("shaft\\nspeed")
    'shaft speed'
    """
    return _CONTROL.sub(" ", text).strip()


def guarded(text: str) -> str:
    """The text, harmless as a cell.

    >>> guarded("=1+1"), guarded("  @x"), guarded("speed")
    ("'=1+1", "'  @x", 'speed')
    """
    return f"'{text}" if text.startswith(_STARTERS) or text.lstrip(" ").startswith(_STARTERS) else text
