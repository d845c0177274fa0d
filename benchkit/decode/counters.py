"""Frame counters: what the step from one row to the next says about rows that are missing.

=====================  ==================================  ============================
step modulo modulus    meaning                             event before the row
=====================  ==================================  ============================
1                      next row                            none
0                      the same number again               ``Gap(missing=None)``
2 … modulus/2          rows are missing                    ``Gap(missing=step - 1)``
above modulus/2        the counter went back (restart)     ``Gap(missing=None)``
=====================  ==================================  ============================
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchkit.model.samples import IntArray


@dataclass(frozen=True, slots=True)
class Break:
    """The counter did not rise by one before row ``row``; ``missing`` is None where it cannot be counted."""

    row: int
    missing: int | None
    cause: str


def breaks_of(counter: IntArray, last: int | None, modulus: int) -> list[Break]:
    """Where ``counter`` (n,), n > 0, does not rise by one modulo ``modulus``; ``last`` is the number before it."""
    if (
        last is not None
        and counter[0] - last == 1
        and (counter.shape[0] == 1 or (counter[1:] - counter[:-1] == 1).all())
    ):
        return []  # nearly always
    steps = np.empty_like(counter)
    steps[0] = 1 if last is None else (int(counter[0]) - last) % modulus
    steps[1:] = (counter[1:] - counter[:-1]) % modulus
    found: list[Break] = []
    for at in (steps != 1).nonzero()[0].tolist():
        now, step = int(counter[at]), int(steps[at])
        before = int(counter[at - 1]) if at else last
        if step == 0:
            found.append(Break(at, None, f"counter {now} came twice"))
        elif step <= modulus // 2:
            found.append(Break(at, step - 1, f"counter jumped from {before} to {now}"))
        else:
            found.append(Break(at, None, f"counter went back from {before} to {now}"))
    return found
