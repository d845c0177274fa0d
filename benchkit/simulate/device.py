"""The simulated stand as one object: commands in, lines out. No port, no clock: a line is a step of device time."""

from __future__ import annotations

from math import isclose

from benchkit.errors import UsageError, did_you_mean
from benchkit.model.sources import text_format_of
from benchkit.model.stand import Stand
from benchkit.simulate import wire
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import Load, drive_of, propeller_of
from benchkit.simulate.faults import FaultName, FaultSet
from benchkit.simulate.plant import Mode, Plant
from benchkit.simulate.sensors import Reader, chains_of, signals, true_propeller
from benchkit.simulate.watchdog import Watchdog

SPEED_MARGIN = 1.1
"""The drive takes set-points up to this share of the motor's nameplate speed."""
AT_REST_RPM = 5.0
"""The contactor is closed below this speed only."""
INLET_RANGE_C = (5.0, 80.0)
_STOP_MODES = {
    wire.StopWay.RAMP: Mode.STOP_RAMP,
    wire.StopWay.TORQUE: Mode.ZERO_TORQUE,
    wire.StopWay.GATES: Mode.GATES_OFF,
    wire.StopWay.CONTACTOR: Mode.GATES_OFF,
}


class Device:
    """Plant, sensors and text of one simulated stand; the same seed and commands give the same bytes.

    ``step_s`` is device time between two lines. With ``watchdog_s`` the drive has its enable only while a heartbeat
    comes, see :mod:`benchkit.simulate.watchdog`: that counts host time, which ``receive`` and ``watch`` are given.
    Without it the device holds its last set-points for ever, as a drive does. ``calibration_seed`` draws the errors of
    the calibrations apart from the noise, for several runs with the same instruments.

    Raises:
        UsageError: the profile names a machine, source or column that the simulation does not have.
    """

    def __init__(
        self,
        stand: Stand,
        load: Load,
        seed: int,
        step_s: float,
        *,
        source: str | None = None,
        conditions: Conditions | None = None,
        watchdog_s: float | None = None,
        calibration_seed: int | None = None,
    ) -> None:
        if not step_s > 0.0:
            raise UsageError("the device needs time between lines", got=step_s, expected="seconds above 0")
        self._spec = stand.sources[source_of(stand, source)]
        self._format = text_format = text_format_of(self._spec)
        drive = drive_of(stand)
        propeller = None
        if load is Load.PROPELLER:
            u_diameter = stand.propeller.u_diameter_m if stand.propeller else 0.0
            propeller = true_propeller(propeller_of(stand), u_diameter, seed)
        self.load = load
        self.plant = Plant(drive, load, propeller, conditions)
        self._chains = chains_of(stand, self._spec.name, seed if calibration_seed is None else calibration_seed)
        self._reader = Reader(self._chains, seed, step_s)
        self._step_s = step_s
        step_units = step_s / text_format.device_time_scale_s
        time_digits = 0 if isclose(step_units, round(step_units), rel_tol=1e-9) and step_units > 0.5 else 3
        self._writer = wire.LineWriter(text_format, [c.digits for c in self._chains], time_digits)
        self._step_units = step_units
        field_of = [text_format.columns.index(c) for c in text_format.value_columns]
        self._faults = FaultSet(self._chains, field_of, seed)
        self._missing = self._writer.missing
        # A device was switched on some time before anyone listened.
        self._lines = (seed * 2654435761) % 40_000
        self._held = b""
        self._skipping = False
        self._watchdog = None if watchdog_s is None else Watchdog(watchdog_s)
        self._now_s = 0.0
        if self._watchdog is not None:
            self._stop(wire.StopWay.GATES)

    @property
    def lines(self) -> int:
        """Number of the last line (not reduced by the counter's modulus), sent or not."""
        return self._lines

    def tick(self) -> bytes:
        """One step of device time and its line; empty where a fault swallows it."""
        self._lines += 1
        self.plant.step(self._step_s)
        raw = self._reader.read(signals(self.plant))
        counter = self._lines % self._format.counter_modulus
        faulty = self._faults.any_on
        if faulty:
            self._faults.bend(raw, self._step_s)
        fields = self._writer.fields(counter, self._lines * self._step_units, raw)
        if not faulty:
            return self._writer.line(fields)
        self._faults.rewrite(fields, self._missing)
        line = self._faults.corrupt(self._writer.line(fields))
        return self._faults.hold(b"" if self._faults.drops_line() else line)

    def receive(self, data: bytes, now_s: float = 0.0) -> bytes:
        """Take bytes from the link at host time ``now_s``, carry out the commands in them, and return the answers."""
        if not data or self._faults.is_on(FaultName.DEAF):
            return b""
        self._now_s = now_s
        answers = []
        *ended, rest = (self._held + data).replace(b"\r", b"\n").split(b"\n")
        for line in ended:
            if self._skipping:
                self._skipping = False
            elif line.strip():
                answers.append(self._answer(line.decode("ascii", "replace").strip()))
        if len(rest) > wire.MAX_COMMAND_BYTES:
            if not self._skipping:
                answers.append(self._reply("refused: the command line is too long"))
            self._skipping, rest = True, b""
        self._held = rest
        return b"".join(answers)

    def watch(self, now_s: float) -> str:
        """Let the watchdog look at the time; what it says when it acts. Hand in what has come before."""
        if self._watchdog is None or not self._watchdog.drops(now_s):
            return ""
        self._stop(wire.StopWay.GATES)
        return f"watchdog: no new beat within {self._watchdog.patience_s:g} s, gates off"

    def command(self, text: str) -> str | None:
        """Carry out one command that does not come over the link; return why not, or None."""
        return self._carry_out(wire.parse_command(text))

    def _answer(self, text: str) -> bytes:
        reason = self.command(text)
        if self._faults.is_on(FaultName.MUTE):
            return b""
        return self._reply(f"ok {text}" if reason is None else f"refused {text}: {reason}")

    def notice(self, text: str) -> bytes:
        """A line that the device says by itself, as bytes."""
        return self._reply(text)

    def _reply(self, text: str) -> bytes:
        return wire.reply(self._format, text)

    def _carry_out(self, command: wire.Command) -> str | None:
        """Do what the command says; return why not, or None."""
        refusal: str | None = None
        match command:
            case wire.SetSpeed() | wire.SetTorque() | wire.SetInlet():
                refusal = self._set(command)
            case wire.AskLoad(load):
                refusal = None if load is self.load else f"the {self.load} is mounted"
            case wire.Stop(how):
                self._stop(how)
            case wire.CloseContactor():
                refusal = self._close_contactor()
            case wire.SetFault():
                refusal = self._switch_fault(command)
            case wire.NotUnderstood(reason):
                refusal = reason
            case wire.Alive(count):
                if self._watchdog is not None:
                    self._watchdog.beat(count, self._now_s)
            case wire.ArmWatchdog():
                refusal = "no watchdog is mounted" if self._watchdog is None else self._watchdog.arm(self._now_s)
        return refusal

    def _close_contactor(self) -> str | None:
        """Only at rest: a machine that turns has its own voltage on the link."""
        if abs(self.plant.state.speed_rpm) > AT_REST_RPM:
            return "the shaft turns"
        self.plant.demand.contactor_open = False
        return None

    def _set(self, command: wire.SetSpeed | wire.SetTorque | wire.SetInlet) -> str | None:
        demand = self.plant.demand
        refusal = self._refusal(command)
        if refusal is not None:
            return refusal
        match command:
            case wire.SetSpeed(speed):
                demand.mode, demand.speed_rpm = Mode.SPEED, speed
            case wire.SetTorque(torque):
                demand.torque_nm = torque
            case wire.SetInlet(inlet):
                demand.inlet_c = inlet
        return None

    def _refusal(self, command: wire.SetSpeed | wire.SetTorque | wire.SetInlet) -> str | None:
        drive, demand = self.plant.drive, self.plant.demand
        if not isinstance(command, wire.SetInlet):
            if self._watchdog is not None and not self._watchdog.is_enabled:
                return "the watchdog holds the enable back; send beats, then 'arm watchdog'"
            if demand.contactor_open:
                return "the contactor is open; 'close contactor' first"
        match command:
            case wire.SetSpeed(value):
                low, high, what, unit = 0.0, SPEED_MARGIN * drive.motor.max_speed_rpm, "speed", "rpm"
            case wire.SetTorque(value):
                if self.load is not Load.MACHINE:
                    return "the propeller is mounted; its torque follows from speed"
                if demand.mode is not Mode.SPEED:
                    return "stopped; set a speed first"
                high = drive.load_machine.max_torque_nm
                low, what, unit = -high, "torque", "Nm"
            case wire.SetInlet(value):
                (low, high), what, unit = INLET_RANGE_C, "inlet", "degC"
        return None if low <= value <= high else f"{what} must be {low:g} to {high:g} {unit}"

    def _switch_fault(self, command: wire.SetFault) -> str | None:
        fault, demand = command.fault, self.plant.demand
        if fault is FaultName.RECIRCULATION and self.load is not Load.PROPELLER:
            return "no propeller is mounted"
        refusal = self._faults.switch(fault, command.on, command.column)
        if refusal is None and fault is FaultName.RECIRCULATION:
            demand.recirculation = command.on
        if refusal is None and fault is FaultName.COOLANT_LOSS:
            demand.coolant_lost = command.on
        if refusal is None and fault is FaultName.RUNAWAY:
            demand.runaway = command.on
        return refusal

    def _stop(self, how: wire.StopWay) -> None:
        """A stop never gives back what a stronger one has taken: gates that are off stay off."""
        demand = self.plant.demand
        if how is wire.StopWay.CONTACTOR:
            demand.contactor_open = True
        if demand.mode is not Mode.GATES_OFF:
            demand.mode = _STOP_MODES[how]
        demand.speed_rpm = demand.torque_nm = 0.0


def source_of(stand: Stand, name: str | None) -> str:
    """Name of the source to play: the given one, or the only one.

    Raises:
        UsageError: no such source, or several and none named.
    """
    if name is None and len(stand.sources) == 1:
        return next(iter(stand.sources))
    if name is not None and name in stand.sources:
        return name
    known = ", ".join(stand.sources)
    raise UsageError(
        "name the source to simulate" if name is None else f"no source {name!r}",
        where=f"stand {stand.name}: sources",
        expected=f"one of {known}",
        remedy=did_you_mean(name or "", stand.sources),
    )
