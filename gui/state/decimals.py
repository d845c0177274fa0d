"""The decimal mark of the numbers that are shown and typed: that of the reader's country, or as chosen."""

from __future__ import annotations

import locale
import math
import os
import re

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_COMMA_IN = frozenset(
    [
        "de",
        "fr",
        "es",
        "it",
        "nl",
        "pl",
        "cs",
        "da",
        "fi",
        "nb",
        "no",
        "sv",
        "pt",
        "ru",
        "tr",
        "hu",
        "hr",
        "sl",
        "sk",
        "ro",
        "bg",
        "el",
        "uk",
    ]
)
_mark = "."


def mark_of_country(name: str | None = None) -> str:
    """``,`` or ``.``, from a locale name such as ``de_DE.UTF-8``; by default that of the environment."""
    if name is None:
        name = next((os.environ[x] for x in ("LC_ALL", "LC_NUMERIC", "LANG") if os.environ.get(x)), "")
        name = name or (locale.getlocale()[0] or "")
    language, _, rest = name.partition("_")
    if language.lower() == "de" and rest.upper().startswith(("CH", "LI")):
        return "."
    return "," if language.lower().split("-")[0] in _COMMA_IN else "."


def use(mark: str) -> None:
    """Show numbers with this mark from now on."""
    global _mark  # noqa: PLW0603 - one reader, one mark
    _mark = "," if mark == "," else "."


def mark() -> str:
    """The mark in use."""
    return _mark


def said(text: str) -> str:
    """A number as Python writes it, with the mark in use and a true minus sign."""
    return text.replace("-", "−").replace(".", _mark)


def read(text: str) -> float:
    """The number somebody typed, with comma or point; NaN where it is none. Groups of digits are not guessed at.

    ``1,234`` is 1.234 for who writes a comma, and none for who writes a point: it may have been meant as 1234.
    """
    plain = text.strip().replace("−", "-").replace("\u00a0", "").replace(" ", "")
    if not _NUMBER.fullmatch(plain):
        return math.nan
    if "," in plain and _mark == ".":
        return math.nan
    if "." in plain and _mark == "," and re.search(r"\.\d{3}$", plain):
        return math.nan
    return float(plain.replace(",", "."))
