"""docs/reference/commands.md: every command, from the parser that reads it."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from importlib import import_module

from page_tools import GENERATED, cell, table

from benchkit.cli.main import COMMANDS

HEAD = """\
`benchkit COMMAND --help` says the same on the command line. `--debug` before or after a command shows where an
unexpected fault happened.

| exit code | meaning |
|---|---|
| 0 | done |
| 1 | unexpected fault |
| 2 | wrong use |
| 3 | faults in a profile |
| 4 | data or run file that cannot be trusted |
| 5 | a link does not answer |
| 6 | refused by interlock or recorder |
| 130 | interrupted |

> A software trip is not a safety function. A hard-wired emergency stop, guards and distance protect people.
"""


def page() -> str:
    """The whole page."""
    return "\n".join(["# Commands", "", GENERATED, "", HEAD, *(line for name in COMMANDS for line in _command(name))])


def _command(name: str) -> Iterator[str]:
    module, sentence = COMMANDS[name]
    parser = argparse.ArgumentParser(prog=f"benchkit {name}", add_help=False)
    getattr(import_module(f"benchkit.cli.{module}"), f"{name}_arguments")(parser)
    actions = [action for action in parser._actions if action.help != argparse.SUPPRESS]
    yield from (f"## {name}", "", f"{sentence[0].upper()}{sentence[1:]}.", "")
    yield from ("```text", *_wrapped(f"benchkit {name}", [_usage(action) for action in actions]), "```", "")
    if actions:
        yield from table(("argument", "what it is"), [(_named(a), _told(a)) for a in actions])
        yield ""


def _value(action: argparse.Action) -> str:
    if action.nargs == 0:
        return ""
    named = action.metavar or (
        "{" + ",".join(map(str, action.choices)) + "}"
        if action.choices
        else (action.dest.upper() if action.option_strings else action.dest)
    )
    names = " ".join(named) if isinstance(named, tuple) else str(named)
    several = {"*": f"[{names} ...]", "+": f"{names} [{names} ...]", "?": f"[{names}]"}
    if isinstance(action.nargs, int) and not isinstance(named, tuple):
        return " ".join([names] * action.nargs)
    return several.get(str(action.nargs), names)


def _usage(action: argparse.Action) -> str:
    value = _value(action)
    if not action.option_strings:
        return value
    text = f"{action.option_strings[0]} {value}".rstrip()
    return text if action.required else f"[{text}]"


def _named(action: argparse.Action) -> str:
    if not action.option_strings:
        return f"`{_value(action)}`"
    return ", ".join(f"`{option} {_value(action)}`".replace(" `", "`") for option in action.option_strings)


def _told(action: argparse.Action) -> str:
    text = (action.help or "") % (vars(action) | {"prog": "benchkit"}) if action.help else ""
    notes = []
    if action.required and action.option_strings:
        notes.append("required")
    if action.default not in (None, False, "", [], argparse.SUPPRESS) and "default" not in text:
        notes.append(f"default {action.default}")
    if isinstance(action, argparse._AppendAction):
        notes.append("may be given several times")
    return cell("; ".join(part for part in (text, *notes) if part))


def _wrapped(start: str, words: list[str]) -> Iterator[str]:
    line = start
    for word in words:
        if len(line) + 1 + len(word) > 88:
            yield line
            line = " " * 8 + word
        else:
            line += f" {word}"
    yield line
