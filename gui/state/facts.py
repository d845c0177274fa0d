"""The header of a run, as a short page."""

from __future__ import annotations

from html import escape

from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand


def facts(stand: Stand, header: RunHeader) -> tuple[tuple[str, str], ...]:
    """Name and text of each fact."""
    inverter, motor, propeller, limits = stand.inverter, stand.motor, stand.propeller, stand.limit_set
    rows = [
        ("Inverter", f"{inverter.id}, {inverter.switching_frequency_hz:g} Hz"),
        ("Firmware", f"{inverter.firmware_revision}, SHA-256 {inverter.firmware_sha256[:8]}…"),
        ("Motor", f"{motor.id}, {motor.rated_torque_nm:g} N·m, {motor.max_speed_rpm:g} rpm"),
    ]
    if propeller is not None:
        rows.append(("Propeller", f"{propeller.id}, {propeller.blades} blades, {propeller.diameter_m:g} m"))
    if header.seed is not None:
        rows.append(("Simulated with", f"seed {header.seed}"))
    rows += [
        ("Limits", f"{limits.name}, revision {limits.revision}, SHA-256 {limits.short_hash}…"),
        ("Recorded by", f"benchkit {header.software_version}, {header.host}"),
        ("Profile", header.stand),
        ("Note", header.note or "none"),
    ]
    return tuple(rows)


def facts_html(stand: Stand, header: RunHeader) -> str:
    """The facts as a table in HTML; every text is escaped."""
    rows = "".join(
        f"<tr><td style='padding-right:10px'>{escape(name)}</td><td><b>{escape(text)}</b></td></tr>"
        for name, text in facts(stand, header)
    )
    return f"<table style='font-size:12px'>{rows}</table>"
