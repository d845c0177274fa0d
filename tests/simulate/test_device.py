"""The stand as bytes: lines as the profile declares them, commands and answers, faults, the same seed twice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchkit.decode.text import TextDecoder
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, Gap, Reply, Rows, join_rows
from benchkit.model.sources import Checksum, TextFormat
from benchkit.model.stand import Stand
from benchkit.simulate.device import AT_REST_RPM, Device
from benchkit.simulate.drives import Load
from benchkit.simulate.faults import FAULTS
from benchkit.simulate.plant import Mode

Ask = Callable[[str], str]
STEP_S = 0.05
NAMES = ", ".join(FAULTS)


@pytest.fixture
def device(stand: Stand) -> Device:
    return Device(stand, Load.MACHINE, 11, STEP_S)


@pytest.fixture
def flyer(stand: Stand) -> Device:
    return Device(stand, Load.PROPELLER, 11, STEP_S)


def ask(device: Device, text: str) -> str:
    return device.receive(text.encode() + b"\n").decode().removesuffix("\r\n")


def crc_bit_by_bit(data: bytes) -> int:
    """CRC-16 written from its definition: polynomial 0x1021, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021) & 0xFFFF if crc & 0x8000 else (crc << 1) & 0xFFFF
    return crc


def decoded(stand: Stand, data: bytes) -> tuple[Rows | None, list[Gap], list[BadFrame], list[Reply]]:
    decoder = TextDecoder(stand.sources["rack"].format)
    decoder.feed(data, 0)
    decoder.close(0)
    rows: list[Rows] = []
    gaps: list[Gap] = []
    bad: list[BadFrame] = []
    replies: list[Reply] = []
    while (event := decoder.next_event()) is not None:
        match event:
            case Rows():
                rows.append(event)
            case Gap():
                gaps.append(event)
            case BadFrame():
                bad.append(event)
            case Reply():
                replies.append(event)
    return (join_rows(rows) if rows else None), gaps, bad, replies


def lines(device: Device, count: int) -> bytes:
    return b"".join(device.tick() for _ in range(count))


def column(stand: Stand, rows: Rows, name: str) -> np.ndarray:
    columns = [c for c in stand.sources["rack"].format.columns if c not in ("count", "t_ms")]
    return rows.values[:, columns.index(name)]


def test_a_line_is_what_the_profile_declares(device: Device, stand: Stand) -> None:
    first, second = device.tick(), device.tick()
    assert crc_bit_by_bit(b"123456789") == 0x29B1  # published check value
    for line in (first, second):
        body, _, check = line.removesuffix(b"\r\n").partition(b"*")
        assert check == b"%04X" % crc_bit_by_bit(body)
        assert len(body.split(b",")) == len(stand.sources["rack"].format.columns) == 26
    a, b = (line.split(b",") for line in (first, second))
    assert int(b[0]) - int(a[0]) == 1
    assert int(b[1]) - int(a[1]) == 50  # ms of device time


def test_all_lines_decode_and_the_counter_wraps(stand: Stand) -> None:
    spec = stand.sources["rack"]
    short = replace(stand, sources={"rack": replace(spec, format=replace(spec.format, counter_modulus=64))})
    device = Device(short, Load.MACHINE, 3, STEP_S)
    rows, gaps, bad, _ = decoded(short, lines(device, 300))
    assert rows is not None
    assert (len(rows), gaps, bad) == (300, [], [])
    assert set(rows.counter.tolist()) == set(range(64))
    assert np.diff(rows.device_time_s) == pytest.approx(STEP_S)


@pytest.mark.parametrize(
    ("change", "end"),
    [
        ({"separator": ";", "decimal_mark": ","}, 4),
        ({"checksum": Checksum.NONE}, 0),
        ({"checksum": Checksum.XOR8}, 2),
        ({"checksum": Checksum.CRC32}, 8),
        ({"counter_column": None, "columns_without": "count"}, 4),
    ],
)
def test_other_text_formats(stand: Stand, change: dict[str, object], end: int) -> None:
    spec = stand.sources["rack"]
    without = change.pop("columns_without", None)
    if without:
        change["columns"] = tuple(c for c in spec.format.columns if c != without)
    text_format: TextFormat = replace(spec.format, **change)  # type: ignore[arg-type]
    other = replace(stand, sources={"rack": replace(spec, format=text_format)})
    device = Device(other, Load.MACHINE, 3, STEP_S)
    data = lines(device, 5)
    assert len(data.splitlines()[0].partition(b"*")[2]) == end
    rows, gaps, bad, _ = decoded(other, data)
    assert rows is not None
    assert (len(rows), gaps, bad) == (5, [], [])
    assert column(other, rows, "udc") == pytest.approx(400.0, abs=1.0)


def test_same_seed_and_commands_give_the_same_bytes(stand: Stand) -> None:
    def play(seed: int) -> bytes:
        device = Device(stand, Load.PROPELLER, seed, STEP_S)
        start = device.receive(b"set speed 2500\n") + lines(device, 200)
        return start + device.receive(b"fault corrupt on\nfault dropout on\n") + lines(device, 200)

    assert play(7) == play(7)
    assert play(7) != play(8)


def test_commands_are_answered_in_order_however_they_are_cut(device: Device) -> None:
    text = b"set speed 2500\r\nset torque 40\nload machine\nalive 7\ncoolant 45\nstop ramp\n"
    whole = device.receive(text)
    assert whole.split(b"\r\n") == [
        b">ok set speed 2500", b">ok set torque 40", b">ok load machine", b">ok alive 7", b">ok coolant 45",
        b">ok stop ramp", b"",
    ]  # fmt: skip
    assert b"".join(device.receive(bytes([byte])) for byte in text) == whole


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        ("set speed fast", ">refused set speed fast: 'fast' is not a number"),
        ("set speed nan", ">refused set speed nan: 'nan' is not a number"),
        ("set speed -5", ">refused set speed -5: speed must be 0 to 4620 rpm"),
        ("set speed 9000", ">refused set speed 9000: speed must be 0 to 4620 rpm"),
        ("set torque 500", ">refused set torque 500: torque must be -220 to 220 Nm"),
        ("set", ">refused set: write 'set speed RPM' or 'set torque NM'"),
        ("load propeller", ">refused load propeller: the machine is mounted"),
        ("load boat", ">refused load boat: write 'load machine' or 'load propeller'"),
        ("coolant 200", ">refused coolant 200: inlet must be 5 to 80 degC"),
        ("coolant", ">refused coolant: write 'coolant DEGC'"),
        ("stop", ">refused stop: write 'stop HOW', HOW one of ramp, torque, gates, contactor"),
        ("fault stuck on nowhere", ">refused fault stuck on nowhere: no column 'nowhere' in the line"),
        ("fault corrupt on tq", ">refused fault corrupt on tq: corrupt does not belong to a column"),
        ("fault recirculation on", ">refused fault recirculation on: no propeller is mounted"),
        (
            "fault rust on",
            f">refused fault rust on: write 'fault NAME on|off [COLUMN]', NAME one of {', '.join(FAULTS)}",
        ),
        ("alive", ">refused alive: write 'alive N', N a whole number below 65536"),
        ("alive 65536", ">refused alive 65536: write 'alive N', N a whole number below 65536"),
        ("alive ²", ">refused alive ??: write 'alive N', N a whole number below 65536"),
        ("arm watchdog", ">refused arm watchdog: no watchdog is mounted"),
        ("arm me", ">refused arm me: write 'arm watchdog'"),
        ("close door", ">refused close door: write 'close contactor'"),
        ("stpo ramp", ">refused stpo ramp: unknown command. Did you mean 'stop'?"),
    ],
)
def test_refusals_say_why(device: Device, command: str, answer: str) -> None:
    assert ask(device, command) == answer
    device.tick()
    assert device.plant.demand.speed_rpm == 0.0


def test_no_torque_set_point_with_the_propeller(flyer: Device) -> None:
    assert ask(flyer, "set torque 40").startswith(">refused set torque 40: the propeller is mounted")
    assert ask(flyer, "load propeller") == ">ok load propeller"


def test_after_a_stop_the_load_does_not_come_back_by_itself(device: Device) -> None:
    ask(device, "set speed 1500")
    ask(device, "set torque 80")
    lines(device, 200)
    assert ask(device, "stop ramp") == ">ok stop ramp"
    assert ask(device, "set torque 80") == ">refused set torque 80: stopped; set a speed first"
    lines(device, 100)
    assert device.plant.state.speed_rpm < 1.0
    ask(device, "set speed 1500")
    lines(device, 200)
    assert device.plant.state.speed_rpm == pytest.approx(1500.0, abs=1.0)
    assert device.plant.state.torque_nm == pytest.approx(0.0, abs=0.5)


def test_a_flood_without_line_end_is_refused_and_bounded(device: Device) -> None:
    answers = [device.receive(b"x" * 150) for _ in range(1000)]
    assert b"".join(answers) == b">refused: the command line is too long\r\n"
    assert device.receive(b"tail\nset speed 10\n") == b">ok set speed 10\r\n"


def test_without_watchdog_the_drive_goes_on_for_ever(flyer: Device) -> None:
    ask(flyer, "set speed 2000")
    lines(flyer, 5000)
    assert flyer.plant.state.speed_rpm == pytest.approx(2000.0, abs=0.1)


def test_the_watchdog_drops_the_enable_and_keeps_it_dropped(stand: Stand) -> None:
    device = Device(stand, Load.PROPELLER, 1, STEP_S, watchdog_s=1.0)

    def send(text: str, now_s: float) -> str:
        return device.receive(text.encode() + b"\n", now_s).decode().strip()

    held_back = "the watchdog holds the enable back; send beats, then 'arm watchdog'"
    assert send("set speed 2000", 0.0) == f">refused set speed 2000: {held_back}"
    send("alive 1", 0.0)
    assert send("set speed 2000", 0.1).startswith(">refused")  # one beat may be left over from long ago
    send("alive 2", 0.5)
    assert send("set speed 2000", 0.6) == ">ok set speed 2000"
    for beat in range(3, 8):  # a beat every 0.9 s keeps it quiet; other commands are no beats
        assert device.watch(0.5 + 0.9 * (beat - 2) - 0.01) == ""
        send(f"alive {beat}", 0.5 + 0.9 * (beat - 2))
        lines(device, 40)
    assert device.plant.state.speed_rpm > 1900.0
    assert send("alive 7", 5.5) == ">ok alive 7"  # the same number again is no new beat
    assert device.watch(6.0) == ""  # exactly the patience after the last new one, at 5.0 s
    assert device.watch(6.001) == "watchdog: no new beat within 1 s, gates off"
    assert device.watch(7.0) == ""  # said once
    device.tick()
    assert device.plant.state.phase_current_a == 0.0
    for beat in range(8, 12):  # beats that come again give nothing back
        send(f"alive {beat}", float(beat))
    assert send("set speed 2000", 11.1) == f">refused set speed 2000: {held_back}"
    assert send("arm watchdog", 12.5) == ">refused arm watchdog: no new beat within 1 s"
    send("alive 12", 13.0)
    assert send("arm watchdog", 13.1) == ">ok arm watchdog"
    assert send("set speed 500", 13.2) == ">ok set speed 500"


def test_gates_off_takes_torque_and_current_at_once(flyer: Device) -> None:
    ask(flyer, "set speed 3000")
    lines(flyer, 200)
    assert flyer.plant.state.phase_current_a > 50.0
    assert ask(flyer, "stop gates") == ">ok stop gates"
    flyer.tick()
    s = flyer.plant.state
    assert (s.phase_current_a, s.ac_power_w) == (0.0, 0.0)
    assert s.dc_current_a * s.dc_voltage_v == pytest.approx(flyer.plant.drive.inverter.standing_w)
    assert ask(flyer, "stop ramp") == ">ok stop ramp"  # a weaker stop does not switch the gates on again
    flyer.tick()
    assert s.phase_current_a == 0.0
    assert ask(flyer, "set speed 3000") == ">ok set speed 3000"
    lines(flyer, 200)
    assert s.speed_rpm == pytest.approx(3000.0, abs=1.0)


def test_contactor_open_cuts_the_link_off(flyer: Device) -> None:
    ask(flyer, "set speed 2000")
    lines(flyer, 200)
    assert ask(flyer, "stop contactor") == ">ok stop contactor"
    before_v = flyer.plant.state.dc_voltage_v
    lines(flyer, 20)
    s = flyer.plant.state
    assert (s.dc_current_a, s.phase_current_a) == (0.0, 0.0)
    # exact: 20 steps of 0.05 s at a time constant of 2 kOhm times 1 mF = 2 s; the back-EMF at 2000 rpm is far lower
    assert s.dc_voltage_v == pytest.approx(before_v * np.exp(-1.0 / 2.0), rel=1e-9)
    assert ask(flyer, "set speed 100") == ">refused set speed 100: the contactor is open; 'close contactor' first"
    while s.speed_rpm > AT_REST_RPM:
        flyer.tick()
    assert ask(flyer, "close contactor") == ">ok close contactor"
    flyer.tick()
    assert s.dc_voltage_v == pytest.approx(400.0, abs=1.0)
    assert s.phase_current_a == 0.0  # the gates stay off until a speed is commanded
    assert ask(flyer, "set speed 100") == ">ok set speed 100"


def test_fault_dropout_leaves_gaps_that_the_counter_counts(device: Device, stand: Stand) -> None:
    first = device.lines
    ask(device, "fault dropout on")
    data = lines(device, 5000)
    ask(device, "fault dropout off")
    rows, gaps, bad, _ = decoded(stand, data + lines(device, 100))
    assert rows is not None
    assert bad == []
    assert 5 < len(gaps) < 60
    missing = sum(g.missing or 0 for g in gaps)
    assert missing + len(rows) + (int(rows.counter[0]) - first - 1) == 5100


def test_fault_stuck_freezes_one_column(device: Device, stand: Stand) -> None:
    ask(device, "fault stuck on idc")
    rows, _, _, _ = decoded(stand, lines(device, 200))
    assert rows is not None
    assert len(set(column(stand, rows, "idc").tolist())) == 1
    assert len(set(column(stand, rows, "udc").tolist())) > 5
    ask(device, "fault stuck off idc")
    rows, _, _, _ = decoded(stand, lines(device, 200))
    assert rows is not None
    assert len(set(column(stand, rows, "idc").tolist())) > 5


def test_fault_spike_is_rare_and_large(device: Device, stand: Stand) -> None:
    ask(device, "fault spike on tq")
    rows, _, _, _ = decoded(stand, lines(device, 8000))
    assert rows is not None
    torque_nm = column(stand, rows, "tq") * 100.0
    wild = np.abs(torque_nm) > 300.0
    assert 4 <= wild.sum() <= 40
    assert np.abs(torque_nm[~wild]).max() < 3.0


def test_fault_comma_is_never_read_as_a_row(device: Device, stand: Stand) -> None:
    ask(device, "fault comma on udc")
    rows, _, bad, _ = decoded(stand, lines(device, 50))
    assert rows is None
    assert {b.reason for b in bad} == {BadFrameReason.FIELD_COUNT}


def test_fault_corrupt_is_caught_by_the_check_value(device: Device, stand: Stand) -> None:
    ask(device, "fault corrupt on")
    rows, _, bad, _ = decoded(stand, lines(device, 4000))
    assert rows is not None
    assert len(rows) + len(bad) == 4000
    assert 15 <= len(bad) <= 80
    assert column(stand, rows, "udc") == pytest.approx(400.0, abs=1.0)


def test_fault_sensor_open_reads_not_measured(device: Device, stand: Stand) -> None:
    ask(device, "fault sensor_open on t_winding")
    rows, _, bad, _ = decoded(stand, lines(device, 20))
    assert rows is not None
    assert bad == []
    assert np.isnan(column(stand, rows, "t_winding")).all()
    assert np.isfinite(column(stand, rows, "t_stator")).all()


def test_fault_zero_drift_moves_the_zero_of_the_thrust(flyer: Device, stand: Stand) -> None:
    ask(flyer, "fault zero_drift on thrust")
    rows, _, _, _ = decoded(stand, lines(flyer, 1200))  # one minute of device time
    assert rows is not None
    # exact: 2 % a minute of a range of 1700 N, in mV/V at 500 N per mV/V: 34 N
    drift_n = 500.0 * (column(stand, rows, "thrust")[-50:].mean() - column(stand, rows, "thrust")[:50].mean())
    assert drift_n == pytest.approx(34.0 * (1150.0 / 1200.0), abs=1.5)


def test_fault_nan_burst_is_not_measured_now_and_then(device: Device, stand: Stand) -> None:
    ask(device, "fault nan_burst on n")
    rows, _, bad, _ = decoded(stand, lines(device, 2000))
    assert rows is not None
    assert bad == []
    is_nan = np.isnan(column(stand, rows, "n"))
    # exact: a burst begins on a good line with probability 1 in 50 and has 10.5 lines in the mean: 17.5 % of all lines
    assert 0.08 < is_nan.mean() < 0.3
    assert np.isfinite(column(stand, rows, "t_winding")).all()


def test_fault_late_holds_lines_back_and_loses_none(device: Device, stand: Stand) -> None:
    ask(device, "fault late on")
    pieces = [device.tick() for _ in range(2000)]
    ask(device, "fault late off")
    pieces.append(device.tick())
    assert pieces.count(b"") > 500
    rows, gaps, bad, _ = decoded(stand, b"".join(pieces))
    assert rows is not None
    assert len(rows) == 2001
    assert (gaps, bad) == ([], [])


def test_a_mute_device_does_what_it_is_told(device: Device) -> None:
    ask(device, "set speed 1000")
    assert device.command("fault mute on") is None
    assert device.receive(b"stop torque\n") == b""
    assert device.plant.demand.mode is Mode.ZERO_TORQUE
    assert ask(device, "fault mute off") == ">ok fault mute off"


def test_a_deaf_device_does_not(device: Device) -> None:
    ask(device, "set speed 1000")
    assert device.command("fault deaf on") is None
    assert device.receive(b"stop torque\n") == b""
    assert device.plant.demand.mode is Mode.SPEED
    assert device.command("fault deaf off") is None
    assert ask(device, "stop torque") == ">ok stop torque"


def test_a_runaway_ends_without_torque_only(device: Device) -> None:
    ask(device, "set speed 1000")
    lines(device, 80)
    ask(device, "fault runaway on")
    ask(device, "stop ramp")
    lines(device, 80)
    assert device.plant.state.speed_rpm > 4300.0
    ask(device, "stop torque")
    before = device.plant.state.speed_rpm
    lines(device, 40)
    assert device.plant.state.speed_rpm < before


def test_faults_of_the_plant_reach_it(flyer: Device) -> None:
    assert ask(flyer, "fault coolant_loss on") == ">ok fault coolant_loss on"
    assert ask(flyer, "fault recirculation on") == ">ok fault recirculation on"
    assert flyer.plant.demand.coolant_lost
    assert flyer.plant.demand.recirculation
    lines(flyer, 300)
    assert flyer.plant.state.flow_lpm < 0.01
    ask(flyer, "fault coolant_loss off")
    lines(flyer, 300)
    assert flyer.plant.state.flow_lpm == pytest.approx(8.0, abs=0.01)


def test_what_cannot_be_played_is_refused(stand: Stand) -> None:
    with pytest.raises(UsageError, match=r"no parameters for 'HERON-61'.*Did you mean 'HERON-60'"):
        Device(replace(stand, motor=replace(stand.motor, id="HERON-61")), Load.MACHINE, 1, STEP_S)
    with pytest.raises(UsageError, match=r"another number of pole pairs.*got 4; expected 10"):
        Device(replace(stand, motor=replace(stand.motor, pole_pairs=4)), Load.MACHINE, 1, STEP_S)
    with pytest.raises(UsageError, match="names no propeller"):
        Device(replace(stand, propeller=None), Load.PROPELLER, 1, STEP_S)
    with pytest.raises(UsageError, match=r"no source 'rak'.*Did you mean 'rack'"):
        Device(stand, Load.MACHINE, 1, STEP_S, source="rak")
    with pytest.raises(UsageError, match="needs time between lines"):
        Device(stand, Load.MACHINE, 1, 0.0)


def test_the_contactor_is_closed_only_at_rest(device: Device) -> None:
    ask(device, "set speed 2000")
    for _ in range(200):
        device.tick()
    assert ask(device, "stop contactor") == ">ok stop contactor"
    assert ask(device, "close contactor") == ">refused close contactor: the shaft turns"
    for _ in range(40_000):
        device.tick()
        if device.plant.state.speed_rpm < 1.0:
            break
    assert ask(device, "close contactor") == ">ok close contactor"
    assert ask(device, "set speed 1000") == ">ok set speed 1000"
