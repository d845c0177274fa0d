"""Studies whose figures are shares and errors, not times, on all cores at once: the same figures, sooner."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import TypeVar

Piece = TypeVar("Piece")
Result = TypeVar("Result")


def on_all_cores(study: Callable[[Piece], Result], pieces: Iterable[Piece]) -> list[Result]:
    """``study`` of each piece, in a process per core; results in the order of the pieces.

    ``study`` is a function of a module, its pieces and results can be pickled.
    """
    with ProcessPoolExecutor(max_workers=os.cpu_count(), mp_context=get_context("spawn")) as pool:
        return list(pool.map(study, pieces))
