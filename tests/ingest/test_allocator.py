"""Freed memory is kept: a program that makes and frees arrays by the thousand asks the system for far fewer pages."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

PROGRAM = """
import resource, sys
import numpy as np
from benchkit.ingest.allocator import keep_freed_memory
if sys.argv[1] == "keep":
    assert keep_freed_memory()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(200):
    parts = [np.ones(40_000) for _ in range(20)]  # 6.4 MB, freed at once
    del parts
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="the allocator of glibc is told")
def test_pages_are_asked_for_once() -> None:
    def pages(how: str) -> int:
        done = subprocess.run([sys.executable, "-c", PROGRAM, how], check=True, capture_output=True, text=True)
        return int(done.stdout)

    assert pages("keep") < pages("leave") / 10
