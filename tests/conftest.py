"""How the suite runs as a whole: which files begin, and what the garbage collector need not look at."""

from __future__ import annotations

import gc

import pytest

SLOWEST = (
    "session/test_kill.py",
    "session/test_soak.py",
    "protect/test_limits_properties.py",
    "session/test_watchdog.py",
    "report/test_out_of_core.py",
    "protect/test_interlock_machine.py",
    "gui/test_windows.py",
    "gui/test_panels.py",
    "gui/test_processes.py",
    "gui/test_results.py",
    "gui/test_stretches.py",
    "cli/test_chain.py",
    "cli/test_prove.py",
    "session/test_disk.py",
    "gui/test_app.py",
    "gui/test_begin.py",
    "gui/test_remote.py",
    "session/test_door.py",
    "cli/test_prove_page.py",
    "runfile/test_kill.py",
    "hostile/test_tables.py",
    "hostile/test_dbc.py",
    "hostile/test_runs.py",
    "session/test_beats.py",
    "session/test_plan_run.py",
    "plans/test_on_the_simulated_stand.py",
    "simulate/test_serve.py",
    "decode/test_can_database.py",
    "analysis/test_losses_and_map.py",
)
"""Files of the suite that take longest, in falling order. Whole files go to a process that has nothing to do: one of
half a minute that comes last leaves the other process without work for as long."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the slowest files first; all else stays in its order."""
    place = {name: number for number, name in enumerate(SLOWEST)}

    def rank(item: pytest.Item) -> int:
        return place.get("/".join(item.path.parts[-2:]), len(place))

    items.sort(key=rank)


def pytest_collection_finish() -> None:
    """Take what is there for good, some hundred thousand objects of modules and tests, out of every later collection.

    The tests of the dashboard collect garbage after each test, to see what is left over.
    """
    gc.collect()
    gc.freeze()
