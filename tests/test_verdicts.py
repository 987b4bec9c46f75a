"""The five verdicts differ in words, mark, shape and color, and can be read in the sun."""

import re
from pathlib import Path

import pytest

from arcdrift.verdicts import VERDICTS

STYLE_SHEET = Path(__file__).parents[1] / "dashboard" / "assets" / "arcdrift.css"
SUNLIGHT = 7.0
"""Contrast for text that is read in the sun: WCAG 2.2, success criterion 1.4.6 (enhanced)."""


def test_no_two_verdicts_look_alike() -> None:
    assert list(VERDICTS) == ["run-check", "recalibrate", "inspect", "keep-working", "cannot-tell"]
    for attribute in ("words", "mark", "shape", "color_role", "sentence", "terminal_style"):
        values = [getattr(verdict, attribute) for verdict in VERDICTS.values()]
        assert len(set(values)) == len(values), attribute
    assert all(len(verdict.mark) == 1 for verdict in VERDICTS.values())
    assert all(code == verdict.code for code, verdict in VERDICTS.items())


def luminance(color: str) -> float:
    """Relative luminance of a color such as ``#fff``: WCAG 2.2, definition."""
    digits = color.lstrip("#")
    digits = digits if len(digits) == 6 else "".join(2 * digit for digit in digits)
    parts = [int(digits[start : start + 2], 16) / 255 for start in (0, 2, 4)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_published_pairs() -> None:
    """Black on white is 21 and #767676 on white 4.54: WCAG 2.2, understanding 1.4.3."""
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    assert contrast("#767676", "#fff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_verdicts_can_be_read_in_the_sun(scheme: int) -> None:
    css = STYLE_SHEET.read_text(encoding="utf-8")
    block = re.findall(r":root[^{]*\{([^}]*)\}", css)[scheme]
    color = dict(re.findall(r"--([\w-]+): (#\w+)", block))
    assert contrast(color["ink"], color["surface"]) >= SUNLIGHT
    for verdict in VERDICTS.values():
        role = verdict.color_role
        assert contrast(color[f"{role}-bg"], color[f"{role}-ink"]) >= SUNLIGHT, role
        assert f".role-{role} {{" in css
        assert f".shape-{verdict.shape} {{" in css
