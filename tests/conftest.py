"""How the suite runs as a whole: which files begin, and what the garbage collector need not look at."""

from __future__ import annotations

import gc

import pytest

SLOWEST = (
    "session/test_kill.py",
    "session/test_watchdog.py",
    "session/test_soak.py",
    "report/test_out_of_core.py",
    "cli/test_prove.py",
    "protect/test_limits_properties.py",
    "cli/test_chain.py",
    "cli/test_compare_command.py",
    "evidence/test_pack.py",
    "evidence/test_check.py",
    "campaign/test_campaign.py",
    "campaign/test_commands.py",
    "session/test_common_edge.py",
    "protect/test_scenarios.py",
    "gui/test_with_recorder.py",
    "protect/test_interlock_machine.py",
    "gui/test_windows.py",
    "gui/test_panels.py",
    "gui/test_processes.py",
    "gui/test_results.py",
    "gui/test_app.py",
    "gui/test_remote.py",
    "report/test_gather.py",
    "report/test_page.py",
    "session/test_tare.py",
    "session/test_disk.py",
    "session/test_beats.py",
    "session/test_bursts.py",
    "session/test_plan_run.py",
    "cli/test_prove_page.py",
    "cli/test_files_page.py",
    "gui/test_stretches.py",
    "gui/test_begin.py",
    "session/test_door.py",
    "sources/test_modbus.py",
    "runfile/test_exclusions.py",
    "runfile/test_kill.py",
    "hostile/test_tables.py",
    "hostile/test_dbc.py",
    "hostile/test_runs.py",
    "simulate/test_serve.py",
    "plans/test_on_the_simulated_stand.py",
    "decode/test_can_database.py",
    "campaign/test_cluster.py",
    "analysis/test_losses_and_map.py",
    "analysis/test_steady_live.py",
    "tooling/test_run_py.py",
    "tooling/test_layers.py",
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
