"""The simulated drive as a plant that tests step by hand."""

from __future__ import annotations

from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load, drive_of, propeller_of
from benchkit.simulate.plant import Plant


def drive_with_propeller() -> Plant:
    """The big drive with its propeller."""
    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    return Plant(drive_of(stand), Load.PROPELLER, propeller_of(stand))


def drive_with_machine() -> Plant:
    """The big drive with the load machine."""
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    return Plant(drive_of(stand), Load.MACHINE, None)
