"""Small things that several commands share."""

from __future__ import annotations

TYPE_CHECKING = False  # typing costs milliseconds of every start; checkers take this name for True
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace
    from typing import Any

    from benchkit.profiles import LoadedStand


def add_json(parser: ArgumentParser) -> None:
    """The option ``--json``."""
    parser.add_argument("--json", action="store_true", help="print as JSON")


def add_page(parser: ArgumentParser, default: str) -> None:
    """The options ``--out``, ``--pdf`` and ``--sign``."""
    parser.add_argument("--out", metavar="FILE", help=f"the page to write (default: {default})")
    add_beside(parser)


def add_beside(parser: ArgumentParser) -> None:
    """The options ``--pdf`` and ``--sign`` of a command that writes a page."""
    parser.add_argument("--pdf", metavar="FILE", help="write it as PDF as well (needs the extra 'pdf')")
    parser.add_argument("--sign", metavar="KEY", help="sign what was written with this private key; FILE.sig beside it")


def add_limits(parser: ArgumentParser) -> None:
    """The option ``--limits``."""
    parser.add_argument("--limits", metavar="FILE", help="limits of this run (TOML), laid on those of the stand")


def load_with_limits(args: Namespace) -> LoadedStand:
    """The stand that ``args`` names, with the limits of ``--limits`` on it."""
    from pathlib import Path

    from benchkit.profiles import find_stand, load_stand

    return load_stand(find_stand(args.stand), Path(args.limits) if args.limits else None)


def print_json(body: Any) -> None:
    """Print JSON to standard output; what is not a finite number becomes null."""
    import json

    print(json.dumps(plain(body), indent=2, ensure_ascii=False, default=str))


def plain(value: Any) -> Any:
    """The value with null for every number that is not finite, and lists for tuples."""
    if isinstance(value, float) and not abs(value) < float("inf"):  # NaN compares false
        return None
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    return value


def progress(total: int, text: str, unit: str) -> Any:
    """A progress bar on standard error, silent where nobody watches."""
    import sys

    from tqdm import tqdm

    return tqdm(total=total, desc=text, unit=unit, file=sys.stderr, disable=not sys.stderr.isatty(), leave=False)


def show_bytes(bar: Any, done: int, total: int) -> None:
    """Move a bar that counts bytes."""
    bar.total = total
    bar.update(done - bar.n)
