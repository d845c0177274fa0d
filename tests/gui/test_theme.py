"""Contrast, colour vision and line styles, on both grounds. Contrast is that of WCAG 2.2; its ends are exact."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from gui.state import theme
from gui.state.theme import Ground, Pair, Tone, contrast
from tests.gui.colour_vision import KINDS, difference, lab

BLOCKS = (Tone.PLAIN, Tone.STRONG, Tone.CAUTION, Tone.DANGER, Tone.ACTION, Tone.STALE)
"""Tones that stand for a state and have a ground of their own."""
NOTICED = 2.3
"""ΔE*ab that is just noticed (M. Mahy et al., Color Research & Application 19 (1994) 105: 2.3)."""


@pytest.fixture(params=list(Ground), autouse=True)
def ground(request: pytest.FixtureRequest) -> Iterator[Ground]:
    """Every test here, on each ground."""
    theme.use(request.param)
    yield request.param
    theme.use(Ground.LIGHT)


def test_contrast_at_its_ends() -> None:
    # exact: (1 + 0.05) / (0 + 0.05) = 21, and 1 for a colour on itself (WCAG 2.2, "contrast ratio")
    assert contrast(Pair("#FFFFFF", "#000000")) == pytest.approx(21.0)
    assert contrast(Pair("#3A444B", "#3A444B")) == pytest.approx(1.0)


def test_contrast_of_a_middle_grey() -> None:
    # exact: 0x77 = 119; ((119/255 + 0.055)/1.055)^2.4 = 0.184475; 1.05 / 0.234475 = 4.4781
    assert contrast(Pair("#777777", "#FFFFFF")) == pytest.approx(4.4781, abs=5e-5)


@pytest.mark.parametrize("name", [*theme.TONES, *theme.OTHER_PAIRS])
def test_every_text_reads_on_its_ground(name: Any) -> None:
    # WCAG 2.2, success criterion 1.4.3
    pair = theme.TONES[name] if isinstance(name, Tone) else theme.OTHER_PAIRS[name]
    assert contrast(pair) >= 4.5


@pytest.mark.parametrize("fill", ["POWER_FILL", "LOSS_FILL", "STALE_GROUND", "BAR_GROUND", "HOVER"])
def test_ink_reads_on_every_fill(fill: str) -> None:
    assert contrast(Pair(theme.INK, getattr(theme, fill))) >= 4.5


def test_lines_differ_without_their_colour() -> None:
    assert len({style.dashes for style in theme.LINES}) == len(theme.LINES)


def test_abnormal_tones_differ_from_plain_by_ground_and_come_with_words() -> None:
    grounds = {theme.TONES[t].ground for t in (Tone.DANGER, Tone.CAUTION, Tone.ACTION)}
    assert len(grounds) == 3
    assert theme.TONES[Tone.PLAIN].ground not in grounds


def test_colour_space_at_its_ends() -> None:
    # exact: white is (100, 0, 0), black (0, 0, 0); the rows of the matrix sum to the white point within its digits
    assert lab("#FFFFFF") == pytest.approx([100.0, 0.0, 0.0], abs=0.05)
    assert lab("#000000") == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    # grey looks the same to everybody: the rows of each matrix sum to 1 (exact to the printed digits)
    for matrix in KINDS.values():
        assert matrix.sum(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=3e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_every_state_looks_different_to_everybody(kind: str) -> None:
    for one, other in combinations(BLOCKS, 2):
        apart = difference(theme.TONES[one].ground, theme.TONES[other].ground, kind)
        assert apart > 4.0 * NOTICED, f"{one}, {other}: {apart:.1f}"


@pytest.mark.parametrize("kind", KINDS)
def test_every_line_looks_different_to_everybody(kind: str) -> None:
    for one, other in combinations(theme.LINES, 2):
        assert difference(one.colour, other.colour, kind) > 4.0 * NOTICED


@pytest.mark.gui
@pytest.mark.parametrize("kind", KINDS)
def test_painted_states_look_different_to_everybody(qtbot: Any, kind: str, ground: Ground) -> None:
    """The words of the state line as they are painted: every pixel seen with that vision, then compared."""
    from gui.app import make_application
    from gui.state.settings import Settings
    from gui.widgets.state_line import BigWord

    make_application(Settings(ground=ground, decimal="."))
    seen = []
    for tone in BLOCKS:
        word = BigWord(46, "State of the interlock")
        qtbot.addWidget(word)
        word.resize(330, 100)
        word.show_word("TRIPPED", "first-out: winding_hot", tone)
        image = word.grab().toImage()
        colours = {image.pixelColor(x, y).name() for x in range(0, 330, 7) for y in range(0, 100, 7)}
        counted = [(sum(image.pixelColor(x, 3).name() == c for x in range(330)), c) for c in colours]
        seen.append(max(counted)[1])
    values = np.array([lab(colour, kind) for colour in seen])
    apart = min(float(np.linalg.norm(a - b)) for a, b in combinations(values, 2))
    assert apart > 4.0 * NOTICED
    make_application(Settings(decimal="."))
