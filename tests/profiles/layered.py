"""A small stand with layers of limits, written into a folder, and shorthands around it."""

from __future__ import annotations

from pathlib import Path

from benchkit.profiles import LoadedStand, load_stand, shared_path

RUN_HEAD = '[limit_set]\nname = "one run"\nrevision = "1"\n'
MOTOR_HEAD = '[limit_set]\nname = "big motor"\nrevision = "7"\napplies_to = "HERON-60"\n'


def airboat(folder: Path, *changes: tuple[str, str]) -> Path:
    """The example stand in ``folder``, with changes of its text."""
    text = shared_path("stands", "airboat.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "stand.toml"
    path.write_text(text, encoding="utf-8")
    return path


def with_run(folder: Path, text: str, head: str = RUN_HEAD) -> LoadedStand:
    """The example stand with limits of one run on it."""
    path = folder / "run_limits.toml"
    path.write_text(f"{head}\n{text}", encoding="utf-8")
    return load_stand(shared_path("stands", "airboat.toml"), path)


def with_motor(folder: Path, text: str, head: str = MOTOR_HEAD, name: str = "motor.toml") -> LoadedStand:
    """The example stand with limits of the motor in a file beside it."""
    (folder / "motor.toml").write_text(f"{head}\n{text}", encoding="utf-8")
    return load_stand(airboat(folder, ("limits/heron_60.toml", name)))


def whole(name: str, set_point: str = '{ value = 190.0, unit = "N·m" }', **changes: str) -> str:
    """A whole limit on the shaft torque."""
    keys = {
        "channel": '"shaft_torque"',
        "kind": '"above"',
        "severity": '"trip"',
        "set_point": set_point,
        "on_delay": '{ value = 0.0, unit = "s" }',
        "off_delay": '{ value = 0.0, unit = "s" }',
        "deadband": '{ value = 5.0, unit = "N·m" }',
        "latching": "true",
        "action": '"zero_torque"',
    } | changes
    return f"[limits.{name}]\n" + "\n".join(f"{key} = {value}" for key, value in keys.items()) + "\n"
