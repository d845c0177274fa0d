"""Commands to frames: what is encoded is what cantools reads back."""

from __future__ import annotations

import pytest

from benchkit.decode.can_commands import CommandEncoder, parse_command
from benchkit.errors import UsageError
from tests.decode.can_cases import DATABASE, SPEC

STOP = "BenchCommand.Mode=Stop,SpeedSet=0,TorqueSet=0"


def read_back(encoder: CommandEncoder, command: str) -> dict[str, object]:
    frame = encoder.encode(command)
    assert (frame.identifier, frame.is_extended, frame.is_fd) == (0x200, False, False)
    encoder.sent(command)
    return dict(DATABASE.decode_message(frame.identifier, frame.data, decode_choices=False))


@pytest.mark.parametrize(
    ("text", "parsed"),
    [
        ("M.S=1", ("M", {"S": "1"})),
        (" M.S = -1.5e3 , T = Stop now ", ("M", {"S": "-1.5e3", "T": "Stop now"})),
        ("M.S", None),
        ("M.S=", None),
        ("S=1", None),
        ("M.S=1,S=2", None),
        ("M.S=1,", None),
        ("stop ramp", None),
        ("M.S=1=2", None),
    ],
)
def test_form_of_a_command(text: str, parsed: object) -> None:
    assert parse_command(text) == parsed


def test_a_command_keeps_what_was_commanded_before() -> None:
    encoder = CommandEncoder(SPEC)
    # SpeedSet and TorqueSet start at 0, as the database declares
    assert read_back(encoder, "BenchCommand.Mode=SpeedControl") == {"Mode": 1, "SpeedSet": 0, "TorqueSet": 0.0}
    assert read_back(encoder, "BenchCommand.SpeedSet=2500") == {"Mode": 1, "SpeedSet": 2500, "TorqueSet": 0.0}
    assert read_back(encoder, "BenchCommand.torqueset=-40.5") == {"Mode": 1, "SpeedSet": 2500, "TorqueSet": -40.5}
    assert read_back(encoder, STOP) == {"Mode": 0, "SpeedSet": 0, "TorqueSet": 0.0}


def test_what_was_not_sent_is_not_kept() -> None:
    encoder = CommandEncoder(SPEC)
    encoder.encode("BenchCommand.Mode=SpeedControl,SpeedSet=900")
    assert read_back(encoder, "BenchCommand.Mode=1") == {"Mode": 1, "SpeedSet": 0, "TorqueSet": 0.0}


def test_nothing_is_guessed() -> None:
    with pytest.raises(UsageError, match=r'"Mode" is required.*Name every signal that has no start value'):
        CommandEncoder(SPEC).encode("BenchCommand.SpeedSet=100")


@pytest.mark.parametrize(
    ("command", "message"),
    [
        ("stop ramp", r"not a command to a CAN bus.*expected MESSAGE\.SIGNAL=VALUE"),
        ("BenchComand.Mode=1", "no message of that name.*Did you mean 'BenchCommand'"),
        ("BenchCommand.Speed=1", "no signal of that name.*Did you mean 'SpeedSet'"),
        ("BenchCommand.Mode=Stopp", "not a value of BenchCommand.Mode.*Stop, SpeedControl.*Did you mean 'Stop'"),
        ("BenchCommand.SpeedSet=fast", "not a value of BenchCommand.SpeedSet.*expected a number"),
        ("BenchCommand.SpeedSet=nan,Mode=1", "not a value of"),
        ("BenchCommand.Mode=1,SpeedSet=12001", r"SpeedSet.*12000.*BenchCommand.*12001"),
        ("InverterTemps.Sensor=0,JunctionTemp=20,BoardTemp=20", "BoardTemp does not go with this multiplexer value"),
    ],
)
def test_a_command_that_the_database_does_not_know(command: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        CommandEncoder(SPEC).encode(command)


def test_a_multiplexed_command() -> None:
    frame = CommandEncoder(SPEC).encode("InverterTemps.Sensor=2,WindingTemp=-12.5")
    assert DATABASE.decode_message(frame.identifier, frame.data) == {"Sensor": 2, "WindingTemp": -12.5}


def test_extended_identifiers() -> None:
    frame = CommandEncoder(SPEC).encode("InverterTorque.Torque=1.5")
    assert (frame.identifier, frame.is_extended) == (0x18FEF100, True)
