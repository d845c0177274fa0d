"""Freed memory is kept for the next array: a third of the time of an import went into asking the system for it anew.

Temporary arrays of some 100 kB are made and freed by the thousand. The C library of Linux gives such memory back to the
system at once, and each array that follows is paid for page by page. Elsewhere nothing is done.
"""

from __future__ import annotations

import ctypes
import sys

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""M_TRIM_THRESHOLD and M_MMAP_THRESHOLD of mallopt(3)."""
KEPT_BYTES = 64 << 20
"""So much freed memory is kept by the process, for good."""
LARGEST_BYTES = 16 << 20
"""Larger arrays are got from the system and given back to it as ever."""


def keep_freed_memory() -> bool:
    """Tell the allocator of this process; True where it takes the word (glibc)."""
    if not sys.platform.startswith("linux"):
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:
        return False
    return bool(mallopt(_MMAP_THRESHOLD, LARGEST_BYTES)) and bool(mallopt(_TRIM_THRESHOLD, KEPT_BYTES))
