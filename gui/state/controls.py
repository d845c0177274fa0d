"""What the dashboard may ask of the recorder. Requests only: the recorder and its interlock decide.

None of these is an emergency stop. The orderly stop has a single key and is offered whenever the recorder answers;
requests that put energy into the stand take two modifier keys, so that a stray key does not make them.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.model.interlock import State


@dataclass(frozen=True, slots=True)
class Control:
    """One button: the request it sends, its text, its keys, and the states in which it makes sense (None: all)."""

    request: str
    text: str
    keys: str
    help: str
    states: frozenset[State] | None = None


CONTROLS: tuple[Control, ...] = (
    Control("arm", "Arm", "Ctrl+Shift+A", "READY to ARMED", frozenset({State.READY})),
    Control("start", "Start", "Ctrl+Shift+S", "ARMED to RUNNING", frozenset({State.ARMED})),
    Control("stop", "Orderly stop", "Esc", "bring the stand to rest under control"),
    Control(
        "reset",
        "Reset trip",
        "Ctrl+Shift+R",
        "leave TRIPPED; refused while a cause stands",
        frozenset({State.TRIPPED}),
    ),
    Control("acknowledge", "Acknowledge", "A", "say 'seen' to all alarms; it stops nothing and clears nothing"),
    Control("mark", "Mark", "M", "put a mark into the run at this moment"),
)


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel beside the trends: its name, its title on the button, its key."""

    name: str
    text: str
    keys: str
    help: str
    short: str = ""
    """On its button, where that is not its title."""

    @property
    def label(self) -> str:
        """What its button says."""
        return f"{self.short or self.text} {self.keys}"


PANELS: tuple[Panel, ...] = (
    Panel("help", "Keys", "F1", "keys, what is shown, cautions"),
    Panel("alarms", "Alarms", "F2", "acknowledge, shelve, take out of service, release"),
    Panel("limits", "Limits", "F3", "make a set point stricter, with a preview on the data"),
    Panel("note", "Note, photo", "F4", "write a note into the run, attach a photo", "Notes"),
    Panel("tare", "Tare", "F5", "take the zero of channels at rest"),
    Panel(
        "start",
        "Checklist, proof",
        "F6",
        "what is missing before the stand can be armed; checklist, proof of limits",
        "Check",
    ),
    Panel("burst", "Burst", "F7", "capture fast samples around this moment"),
    Panel(
        "traces", "Channels, cursors", "F8", "channels that are drawn, over which time; values at two cursors", "Traces"
    ),
    Panel("plan", "Plan", "F11", "where the plan stands, what comes, begin, acknowledge, stop"),
    Panel("look", "Look", "F9", "light or dark ground, size, decimal mark, your name"),
)
CLOSE_PANEL_KEYS = "F10"
PRESENCE_KEYS = "K"
WATCH_ONLY_TEXT = "WATCH ONLY: the key of this dashboard commands nothing. Act on the stand itself."

LINKED_TEXT = "Requests go to the recorder, which decides."
UNLINKED_TEXT = "No recorder answers: act on the stand itself, not on the screen."

VIEW_KEYS: tuple[tuple[str, str], ...] = (
    *((panel.keys, f"{panel.text}: {panel.help}") for panel in PANELS),
    (CLOSE_PANEL_KEYS, "close the panel; its own key does so too"),
    (PRESENCE_KEYS, "tell the plan that the operator is here"),
    ("Page Down / Page Up", "next / previous page of trends"),
    ("+ / −", "shorter / longer time on the trends"),
    ("H", "hold the trends, or let them follow again; held, mouse and arrow keys pan, + and − zoom"),
    ("C", "two cursors on the trends, or none"),
    (
        "Left / Right",
        "move cursor A (with Ctrl: cursor B; with Shift: ten times as far); recorded run: move the cursor",
    ),
    ("Home", "recorded run: the whole run"),
    ("Tab", "next control"),
    ("Ctrl+W", "close this window; the recorder goes on"),
)


def is_offered(control: Control, state: State | None, is_linked: bool) -> bool:
    """True where the button is enabled: the recorder answers, and the state allows the request."""
    if not is_linked:
        return False
    return control.states is None or state is None or state in control.states


def answer_text(request: str, error: str | None) -> str:
    """What the recorder said to a request, for the line under the buttons."""
    name = next((c.text for c in CONTROLS if c.request == request), request.replace("_", " ").capitalize())
    return f"{name}: accepted" if error is None else f"{name}: refused. {error}"


def not_offered_text(control: Control) -> str:
    """Why a key did nothing."""
    if control.states is None:
        return f"{control.text}: {UNLINKED_TEXT}"
    return f"{control.text}: only in {' or '.join(sorted(s.value for s in control.states))}, with a recorder"
