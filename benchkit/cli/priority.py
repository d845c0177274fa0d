"""Who goes first when the computer is busy: the recorder and the stand it reads before everything else."""

from __future__ import annotations

import contextlib
import gc
import os
import sys
from pathlib import Path

REAL_TIME_PRIORITY = 10
"""Low among the real-time programs: those of the system itself go first."""


def step_forward() -> None:
    """Ask for a higher priority; without the right to it nothing changes."""
    if sys.platform == "win32":
        _windows_priority(0x80)  # HIGH_PRIORITY_CLASS
    else:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, -10)


def step_first() -> None:
    """Ask for the processor as soon as there is something to do, before all ordinary programs; else nothing changes.

    For the recorder, which sleeps between samples. On Linux this is the round-robin class of real-time programs, where
    the user may have it (root, or ``rtprio`` in limits.conf); what it starts is ordinary again, and the system itself
    keeps a twentieth of the time from such programs. All threads that are there by now get it: one that is put aside
    while it holds the interpreter's lock would hold up the loop that protects.
    """
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError):
            for thread in Path("/proc/self/task").iterdir():
                how = os.SCHED_RR | os.SCHED_RESET_ON_FORK
                os.sched_setscheduler(int(thread.name), how, os.sched_param(REAL_TIME_PRIORITY))


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
