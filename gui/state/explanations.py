"""What is shown on the live screen: what it is, its equation, and where that comes from."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape


@dataclass(frozen=True, slots=True)
class Explanation:
    """One thing on the screen."""

    name: str
    what: str
    equation: str
    source: str


EXPLANATIONS: tuple[Explanation, ...] = (
    Explanation(
        "DC link power",
        "Electrical power into the inverter, from the means of half a second.",
        "P_DC = U_DC · I_DC",
        "definition of power",
    ),
    Explanation(
        "Shaft power",
        "Mechanical power at the torque flange. Motoring is positive.",
        "P = M · n · 2π/60",
        "definition of power; n in revolutions a minute",
    ),
    Explanation(
        "Efficiencies and losses",
        "Of each stage, from the powers at its two ends. Blank while the stand regenerates or a side is not measured.",
        "η = P_out / P_in,  P_loss = P_in − P_out",
        "IEC 60034-2-1, direct measurement of input and output",
    ),
    Explanation(
        "± at an efficiency",
        "Expanded uncertainty, coverage factor 2, of the calibrations alone: channels are taken as independent. "
        "'Not resolved' where it is wider than 10 points.",
        "U = 2 u_c,  u_c² = Σ (∂f/∂x_i)² u_i²",
        "JCGM 100:2008 (GUM), 5.1.2 and 6.2",
    ),
    Explanation(
        "Ideal thrust power",
        "Power that an ideal disc of the propeller's size needs at rest for the same thrust; its ratio to the shaft "
        "power is the figure of merit.",
        "P_i = T · √( T / (2 ρ A) ),  FM = P_i / P_shaft",
        "momentum theory of the actuator disc (Rankine, Froude)",
    ),
    Explanation(
        "Margin",
        "How far a channel is from its nearest limit: rest is the left end of its bar, the limit the right end.",
        "share = (x − x_rest) / (x_limit − x_rest)",
        "common practice, no source",
    ),
    Explanation(
        "Time to the limit",
        "When the channel would meet the limit if things went on as they do: along its own approach, along a thermal "
        "model of the profile, or along the slope. No promise, and it protects nothing.",
        "x(t) = x_end − (x_end − x_0) e^(−t/τ), solved for the limit",
        "step response of a first-order lag; the recorder's own prediction",
    ),
    Explanation(
        "STALE, LATE, NO RECORDER",
        "STALE: a source gave no good sample for longer than its stale_after. LATE: what is shown is older than 0.75 s "
        "by the recorder's clock. NO RECORDER: no message for 0.6 s. Old values and traces turn grey.",
        "age = now − time of the last good sample",
        "this program",
    ),
    Explanation(
        "First-out",
        "The limit that tripped first since the last reset. Two inside one sample interval: order not resolved.",
        "t_1 < t_i for all others, by more than one sample interval",
        "ISA-18.1, first-out sequences",
    ),
)


def short_text(*names: str) -> str:
    """Some of them in plain text: what, equation, source."""
    chosen = [x for x in EXPLANATIONS if x.name in names]
    return "\n\n".join(f"{x.name}: {x.what}\n{x.equation}\nSource: {x.source}" for x in chosen)


def explanations_html() -> str:
    """All of them as a page."""
    parts = [
        f"<p><b>{escape(x.name)}.</b> {escape(x.what)}<br><i>{escape(x.equation)}</i><br>"
        f"<small>Source: {escape(x.source)}</small></p>"
        for x in EXPLANATIONS
    ]
    return "<h3>What is shown</h3>" + "".join(parts)
