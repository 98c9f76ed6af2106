"""Contrast of the page's colours, light and dark.

Formula and limits: W3C, Web Content Accessibility Guidelines (WCAG) 2.1 (2018), definitions of relative
luminance and contrast ratio, success criteria 1.4.3 (text, 4.5) and 1.4.11 (graphics, 3). Kind: published
(from memory; the two ends of the scale, 21 and 1, are checked).
"""

import re
from importlib.resources import files

import pytest

CSS = (files("leadline.reports") / "templates" / "style.css").read_text("utf-8")
ROOTS = re.findall(r":root \{(.*?)\}", CSS, flags=re.DOTALL)
LIGHT = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", ROOTS[0]))
DARK = LIGHT | dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", ROOTS[1]))
PRINT = LIGHT | {"paper": "#ffffff", "raised": "#ffffff"}


def luminance(colour):
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula_at_its_ends():
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#777777", "#777777") == 1


@pytest.mark.parametrize("scheme", [LIGHT, DARK, PRINT], ids=["light", "dark", "print"])
@pytest.mark.parametrize("text", ["ink", "muted", "median"])
@pytest.mark.parametrize("ground", ["paper", "raised"])
def test_text_contrast(scheme, text, ground):
    assert contrast(scheme[text], scheme[ground]) >= 4.5


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
def test_caution_contrast(scheme):
    assert contrast(scheme["ink"], scheme["warn"]) >= 4.5
    assert contrast(scheme["warn-edge"], scheme["paper"]) >= 3


@pytest.mark.parametrize("scheme", [LIGHT, DARK, PRINT], ids=["light", "dark", "print"])
@pytest.mark.parametrize("mark", ["ink", "median", "rose", "sank", "check", "hand"])
@pytest.mark.parametrize("ground", ["paper", "outer", "inner"])
def test_marks_and_lines_stand_out_from_what_they_lie_on(scheme, mark, ground):
    assert contrast(scheme[mark], scheme[ground]) >= 3


def test_dark_colours_are_for_screens_only():
    assert "@media screen and (prefers-color-scheme: dark)" in CSS
    assert len(ROOTS) == 3  # light, dark, print
