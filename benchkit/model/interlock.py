"""States and events of the interlock."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """Where the interlock stands."""

    STANDBY = "STANDBY"
    READY = "READY"
    ARMED = "ARMED"
    RUNNING = "RUNNING"
    STOPPING = "STOPPING"
    TRIPPED = "TRIPPED"


class Trigger(StrEnum):
    """What may move it."""

    PERMISSIVES_MET = "PERMISSIVES_MET"
    PERMISSIVES_LOST = "PERMISSIVES_LOST"
    ARM = "ARM"
    DISARM = "DISARM"
    START = "START"
    STOP = "STOP"
    STOPPED = "STOPPED"
    TRIP = "TRIP"
    RESET = "RESET"
