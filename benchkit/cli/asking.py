"""``benchkit ask``: one request to a recorder, from a terminal."""

from __future__ import annotations

import json
from argparse import Namespace
from pathlib import Path
from typing import Any

from benchkit.cli.common import print_json
from benchkit.errors import UsageError
from benchkit.session.client import RecorderClient, read_live_file
from benchkit.session.keys import PASS_SUFFIX
from benchkit.session.process import LIVE_SUFFIX, live_path

LISTS = ("channels", "ticked")
"""Keys whose value is a list: names with commas between them."""


def ask(args: Namespace) -> int:
    """Send the request and print the answer. A refusal comes out as an error with its reason."""
    arguments = dict(_argument(text) for text in args.arguments)
    with RecorderClient(read_live_file(find_live_file(Path(args.recorder)))) as client:
        answer = client.request(args.request, who=args.who, **arguments)
    answer.pop("ok", None)
    done = answer.pop("done", None)
    if args.json or (answer and done is None):
        print_json(answer if done is None else {"done": done, **answer})
    else:
        print("\n".join(done or ["done"]))
    return 0


def find_live_file(path: Path) -> Path:
    """The file that announces a recorder: itself, beside the run, or the only one in a folder.

    Raises:
        UsageError: there is none, or more than one.
    """
    if path.name.endswith((LIVE_SUFFIX, PASS_SUFFIX)):
        return path
    if not path.is_dir():
        return live_path(path)
    found = sorted(path.glob(f"*{LIVE_SUFFIX}"))
    if len(found) != 1:
        listed = ", ".join(file.name for file in found) or "none"
        raise UsageError(
            "not one recorder in this folder",
            where=str(path),
            got=listed,
            remedy="Give the run that is being recorded.",
        )
    return found[0]


def _argument(text: str) -> tuple[str, Any]:
    """``key=value``: a number, a list of names, or a text."""
    key, equals, value = text.partition("=")
    if not equals or not key:
        raise UsageError("not an argument of a request", got=text, expected="key=value")
    if key in LISTS:
        return key, [name.strip() for name in value.split(",") if name.strip()]
    try:
        number = json.loads(value)
    except ValueError:
        return key, value
    return key, number if isinstance(number, int | float) and not isinstance(number, bool) else value
