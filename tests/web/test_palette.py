"""Contrast of every pair of colours that carries text or a meaning, light, dark and printed.

Source of formula and limits: W3C, Web Content Accessibility Guidelines 2.2, definitions of
relative luminance and contrast ratio; 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1).
"""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

TEXT, GRAPHIC = 4.5, 3.0
PAIRS = [
    ("ink", "paper", TEXT), ("ink", "sheet", TEXT), ("soft", "paper", TEXT),
    ("soft", "sheet", TEXT), ("accent", "paper", TEXT), ("accent", "sheet", TEXT),
    ("warm", "paper", TEXT), ("warm", "sheet", TEXT), ("shout-ink", "shout", TEXT),
    ("edge", "paper", GRAPHIC), ("edge", "sheet", GRAPHIC),
    ("accent", "gate", GRAPHIC), ("warm", "gate", GRAPHIC), ("ink", "gate", GRAPHIC),
]  # fmt: skip


def palettes() -> dict[str, dict[str, str]]:
    """The three blocks of the palette; dark and print lay theirs over the light one."""
    sheet = files("sootsayer_web").joinpath("static/palette.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root \{(.*?)\}", sheet, re.DOTALL)
    light, dark, printed = (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]+)", b)) for b in blocks)
    return {"light": light, "dark": light | dark, "print": light | printed}


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) > 4 else "".join(2 * d for d in colour[1:])
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
                        for c in channels)  # fmt: skip
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_formula_on_the_ends_of_the_scale() -> None:
    # WCAG 2.2: "contrast ratios can range from 1 to 21".
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#777777") == pytest.approx(1)


@pytest.mark.parametrize("name", ["light", "dark", "print"])
@pytest.mark.parametrize(("front", "back", "least"), PAIRS)
def test_contrast(name: str, front: str, back: str, least: float) -> None:
    palette = palettes()[name]
    assert contrast(palette[front], palette[back]) >= least


def test_dark_is_dim_enough_for_a_cabin_at_night() -> None:
    """No large surface above 2 % of white, and no text at full white."""
    dark = palettes()["dark"]
    assert max(luminance(dark[name]) for name in ("paper", "sheet", "gate")) < 0.02
    assert luminance(dark["shout"]) < 0.03
    assert max(luminance(dark[name]) for name in ("ink", "shout-ink")) < 0.7
