"""Who goes first when the computer is busy: the recorder and the stand it reads before everything else."""

from __future__ import annotations

import contextlib
import gc
import os
import sys


def step_forward() -> None:
    """Ask for a higher priority; without the right to it nothing changes."""
    if sys.platform == "win32":
        _windows_priority(0x80)  # HIGH_PRIORITY_CLASS
    else:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, -10)


def leave_start_alone() -> None:
    """Take what the start has made out of the garbage collector: looking through all of it again takes tens of
    milliseconds, in which nothing else runs. Call it when everything is set up; what is made later is collected."""
    gc.collect()
    gc.freeze()


def step_back() -> None:
    """Take a lower priority."""
    if sys.platform == "win32":
        _windows_priority(0x4000)  # BELOW_NORMAL_PRIORITY_CLASS
    else:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, 15)


def _windows_priority(priority_class: int) -> None:
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.windll.kernel32
        kernel.SetPriorityClass(kernel.GetCurrentProcess(), priority_class)
