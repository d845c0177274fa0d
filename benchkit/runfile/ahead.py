"""One step ahead: the next piece is made on a second core while the caller works on this one."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
_END = object()


def ahead(items: Iterator[T]) -> Generator[T]:
    """The same items in the same order; all but the first are made in a thread, one at a time.

    It pays where making and using an item both spend their time in long calls of NumPy, HDF5 or hashlib, which run
    beside each other. What ``items`` raises is raised here, in its place. Close it (``contextlib.closing``) where the
    items may not be used up: then nothing of ``items`` runs any more.

    >>> list(ahead(iter("abc")))
    ['a', 'b', 'c']
    """
    with ThreadPoolExecutor(1, thread_name_prefix="ahead") as thread:
        coming = thread.submit(next, items, _END)
        while (item := coming.result()) is not _END:
            coming = thread.submit(next, items, _END)
            yield item  # type: ignore[misc]  # the end mark is ruled out above
