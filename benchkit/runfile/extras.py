"""Libraries that only some installations have."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from benchkit.errors import UsageError


def need(module: str, extra: str = "export") -> Any:
    """Import a module of an extra.

    Raises:
        UsageError: it is not installed; the message names the extra.
    """
    try:
        return import_module(module)
    except ImportError as error:
        raise UsageError(
            f"needs {module.partition('.')[0]}, which is not installed",
            got=str(error),
            remedy=f"Install the extra {extra!r}: pip install 'benchkit[{extra}]'.",
        ) from error
