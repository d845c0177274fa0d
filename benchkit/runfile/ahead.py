"""Some steps ahead: the next pieces are made on a second core while the caller works on this one."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
_END = object()


def ahead(items: Iterator[T], depth: int = 8) -> Generator[T]:
    """The same items in the same order, made one at a time in a thread that is at most ``depth`` of them ahead.

    It pays where making and using an item both spend their time in long calls of NumPy, HDF5 or hashlib, which run
    beside each other. What ``items`` raises is raised here, in its place. Close it (``contextlib.closing``) where the
    items may not be used up: then nothing of ``items`` runs any more.

    >>> list(ahead(iter("abc")))
    ['a', 'b', 'c']
    """
    thread = ThreadPoolExecutor(1, thread_name_prefix="ahead")
    try:
        coming = deque(thread.submit(next, items, _END) for _ in range(depth))
        while (item := coming.popleft().result()) is not _END:
            coming.append(thread.submit(next, items, _END))
            yield item  # type: ignore[misc]  # the end mark is ruled out above
    finally:
        thread.shutdown(cancel_futures=True)
