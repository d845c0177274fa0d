"""Contrast and line styles. The formula is that of WCAG 2.2; its two ends are exact."""

import pytest

from gui.state import theme
from gui.state.theme import LINES, OTHER_PAIRS, TONES, Pair, contrast


def test_contrast_at_its_ends() -> None:
    # exact: (1 + 0.05) / (0 + 0.05) = 21, and 1 for a colour on itself (WCAG 2.2, "contrast ratio")
    assert contrast(Pair("#FFFFFF", "#000000")) == pytest.approx(21.0)
    assert contrast(Pair("#3A444B", "#3A444B")) == pytest.approx(1.0)


def test_contrast_of_a_middle_grey() -> None:
    # exact: 0x77 = 119; ((119/255 + 0.055)/1.055)^2.4 = 0.184475; 1.05 / 0.234475 = 4.4781
    assert contrast(Pair("#777777", "#FFFFFF")) == pytest.approx(4.4781, abs=5e-5)


@pytest.mark.parametrize("pair", [*TONES.values(), *OTHER_PAIRS.values()], ids=[*TONES, *OTHER_PAIRS])
def test_every_text_reads_on_its_ground(pair: Pair) -> None:
    # WCAG 2.2, success criterion 1.4.3
    assert contrast(pair) >= 4.5


@pytest.mark.parametrize("ground", [theme.POWER_FILL, theme.LOSS_FILL, theme.YELLOW, theme.STALE_GROUND])
def test_ink_reads_on_every_light_fill(ground: str) -> None:
    assert contrast(Pair(theme.INK, ground)) >= 4.5


def test_lines_differ_without_their_colour() -> None:
    assert len({style.dashes for style in LINES}) == len(LINES)


def test_abnormal_tones_differ_from_plain_by_ground_and_come_with_words() -> None:
    grounds = {TONES[t].ground for t in (theme.Tone.DANGER, theme.Tone.CAUTION, theme.Tone.ACTION)}
    assert len(grounds) == 3
    assert TONES[theme.Tone.PLAIN].ground not in grounds
