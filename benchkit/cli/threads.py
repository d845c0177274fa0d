"""One thread for linear algebra: what is fitted here is small, and threads that share it wait longer than they work.

On two cores whole analyses took two to four times as long with two threads as with one, and maps of efficiency eight
times. Told before numpy is loaded, which reads it then; who sets one of these variables has the last word.
"""

from __future__ import annotations

import os

VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def use_one_thread() -> None:
    """Tell the numerical libraries of this program, and of those that it starts."""
    for name in VARIABLES:
        os.environ.setdefault(name, "1")
