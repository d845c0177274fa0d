"""What can go wrong, in two families: ours (the call or the configuration) and theirs (data from outside).

Every message says where, what, got, expected, and what to do next, in that order. The command line shows the
message without a traceback and ends with the exit code of the class.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import ClassVar


class BenchkitError(Exception):
    """Base of all errors that benchkit raises on purpose."""

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, where: str = "", got: object = None, expected: str = "", remedy: str = "") -> None:
        self.where, self.what, self.got, self.expected, self.remedy = where, what, got, expected, remedy
        super().__init__(compose(what, where=where, got=got, expected=expected, remedy=remedy))


class UsageError(BenchkitError):
    """Ours: a command, a call or an argument that cannot be carried out as given."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault found in a profile: key path, text, and how to mend it."""

    where: str
    what: str
    got: object = None
    expected: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        return compose(self.what, where=self.where, got=self.got, expected=self.expected, remedy=self.remedy)


class ProfileError(BenchkitError):
    """Ours: a stand profile with one or more faults. ``problems`` holds every one of them."""

    exit_code = 3

    def __init__(self, source: str, problems: Iterable[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        count = len(self.problems)
        head = f"{source}: {count} problem{'s' if count != 1 else ''}"
        BenchkitError.__init__(self, head)
        self.args = ("\n".join([head, *(f"  {problem}" for problem in self.problems)]),)


class DataError(BenchkitError):
    """Theirs: a file or a frame whose content cannot be trusted."""

    exit_code = 4


class RunFileError(DataError):
    """Theirs: a run file that is damaged, foreign or not closed."""


class LinkError(BenchkitError):
    """Theirs: an instrument link, or the link to the recorder, that does not answer."""

    exit_code = 5


class RefusedError(BenchkitError):
    """Ours: the interlock or the recorder refused a request, with its reason."""

    exit_code = 6


def compose(what: str, *, where: str = "", got: object = None, expected: str = "", remedy: str = "") -> str:
    """Put a message together: ``where: what (got …; expected …). remedy``."""
    details = []
    if got is not None:
        details.append(f"got {got!r}")
    if expected:
        details.append(f"expected {expected}")
    text = f"{where}: {what}" if where else what
    if details:
        text += f" ({'; '.join(details)})"
    if remedy:
        text = f"{text.rstrip('.')}. {remedy}"
    return text


def did_you_mean(word: str, known: Iterable[str], likeness: float = 0.6) -> str:
    """Return ``Did you mean 'x'?`` for the nearest known word, or an empty text."""
    close = get_close_matches(word, list(known), n=1, cutoff=likeness)
    return f"Did you mean {close[0]!r}?" if close else ""
