"""Command lines as bytes."""

from __future__ import annotations

from benchkit.errors import UsageError


def command_line(command: str, where: str) -> bytes:
    """``command`` with its line end; ``where`` is the key of the source.

    Raises:
        UsageError: the text is not one line of ASCII.
    """
    if not command.isascii() or not command.isprintable() or not command:
        raise UsageError(
            "a command is one line of ASCII text",
            where=where,
            got=command,
            remedy="Mend the command in the stand profile.",
        )
    return command.encode("ascii") + b"\n"
