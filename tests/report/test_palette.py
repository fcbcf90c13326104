"""Colours of the page: contrast, and whether series can be told apart with any colour vision."""

from __future__ import annotations

import itertools
import re
from importlib import resources

import numpy as np
import pytest

from coilwright.report.inline_svg import VARIABLES

STYLE = (resources.files("coilwright.report") / "style.css").read_text("utf-8")

Palette = dict[str, np.ndarray]


def palettes() -> dict[str, Palette]:
    """The colours of the three `:root` blocks: light, dark, print."""
    blocks = re.findall(r":root \{(.*?)\}", STYLE, re.S)
    assert len(blocks) == 3
    return dict(zip(("light", "dark", "print"), map(_colors, blocks), strict=True))


def _colors(block: str) -> Palette:
    found = re.findall(r"--([a-z0-9-]+): #([0-9a-f]{6});", block)
    return {name: np.array([int(v[i : i + 2], 16) for i in (0, 2, 4)]) / 255 for name, v in found}


def linear(color: np.ndarray) -> np.ndarray:
    """sRGB to linear light, as WCAG 2.2 defines relative luminance."""
    return np.where(color <= 0.04045, color / 12.92, ((color + 0.055) / 1.055) ** 2.4)


def contrast(one: np.ndarray, two: np.ndarray) -> float:
    """Contrast ratio of WCAG 2.2."""
    low, high = sorted(float(np.dot((0.2126, 0.7152, 0.0722), linear(c))) for c in (one, two))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_wcags() -> None:
    # Black on white is 21:1 by definition; #767676 on white is the usual example of just above
    # 4.5:1 (W3C, Understanding success criterion 1.4.3).
    white = np.ones(3)
    assert contrast(np.zeros(3), white) == pytest.approx(21)
    assert contrast(np.full(3, 0x76 / 255), white) == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
def test_text_and_lines_stand_out(theme: str) -> None:
    colors = palettes()[theme]
    # WCAG 2.2: 4.5:1 for text (1.4.3), 3:1 for what a graphic needs (1.4.11).
    for ground in ("page", "surface"):
        for ink in ("ink", "quiet", "accent"):
            assert contrast(colors[ink], colors[ground]) >= 4.5, (ink, ground)
    for ink in ("ink", "warn"):
        assert contrast(colors[ink], colors["warn-surface"]) >= 4.5, ink
    for series in (name for name in colors if name.startswith("series")):
        assert contrast(colors[series], colors["surface"]) >= 3, series


def test_every_stand_in_becomes_a_color_of_each_theme() -> None:
    for theme, colors in palettes().items():
        assert set(VARIABLES.values()) <= set(colors), theme


# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE Trans. Visualization and Computer Graphics
# 15(6), 1291, 2009, severity 1.0; in linear RGB. From memory; every row sums to 1.
VISION = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
    "usual": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
}  # fmt: skip


def lab(color: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB (D65; IEC 61966-2-1, ISO/CIE 11664-4)."""
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    ratio = np.array(to_xyz) @ color / np.array([0.9505, 1.0, 1.089])
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
@pytest.mark.parametrize("vision", sorted(VISION))
def test_series_can_be_told_apart(theme: str, vision: str) -> None:
    matrix = np.array(VISION[vision])
    assert matrix.sum(axis=1) == pytest.approx([1, 1, 1], abs=1e-5)
    colors = palettes()[theme]
    seen = [
        lab(np.clip(matrix @ linear(colors[f"series-{number}"]), 0, 1)) for number in range(1, 5)
    ]
    for one, two in itertools.combinations(seen, 2):
        # 2.3 is just noticeable (M. Mahy et al., Color Research & Application 19, 105, 1994); six
        # times that tells thin lines apart (common practice, no source), which also differ by
        # marker and dash.
        assert float(np.linalg.norm(one - two)) >= 13.8
