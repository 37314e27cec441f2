"""Colours of the maps: even and symmetric in lightness, apart for colour-blind eyes."""

from __future__ import annotations

import numpy as np
import pytest

from rig.report.palette import (
    LIGHTNESS_END,
    LIGHTNESS_MIDDLE,
    diverging,
    lightness_of,
    sequential,
    srgb_to_linear,
)

# Machado, Oliveira & Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, severity 1.0,
# on linear RGB.
SEES = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def lab(linear: np.ndarray) -> np.ndarray:
    xyz = linear @ np.array(
        [[0.4124564, 0.2126729, 0.0193339], [0.3575761, 0.7151522, 0.1191920],
         [0.1804375, 0.0721750, 0.9503041]]
    ) / np.array([0.95047, 1.0, 1.08883])  # fmt: skip
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.column_stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])]
    )


def test_lightness_falls_evenly_and_alike_to_both_sides() -> None:
    light = lightness_of(diverging(257))
    t = np.abs(np.linspace(-1, 1, 257))
    wanted = LIGHTNESS_MIDDLE + (LIGHTNESS_END - LIGHTNESS_MIDDLE) * t
    assert np.max(np.abs(light - wanted)) < 1.5
    assert np.max(np.abs(light - light[::-1])) < 1.5
    assert np.all(np.diff(light[:129]) > 0)


def test_lightness_values_are_those_of_the_standard() -> None:
    # CIE 15:2004: sRGB mid grey 119 has L* 50.03; white 100, black 0.
    grey = np.array([[0.0] * 3, [119 / 255] * 3, [1.0] * 3])
    assert lightness_of(grey) == pytest.approx([0.0, 50.03, 100.0], abs=0.02)


@pytest.mark.parametrize("eye", SEES)
def test_high_and_low_stay_apart_for_colour_blind_eyes(eye: str) -> None:
    seen = np.clip(srgb_to_linear(diverging(9)) @ np.array(SEES[eye]).T, 0, 1)
    colours = lab(seen)
    for step in range(1, 5):  # same distance to both sides of the middle
        apart = np.linalg.norm(colours[4 + step] - colours[4 - step])
        assert apart > 12 * step  # 2.3 can just be told apart side by side


def test_doubt_goes_one_way_in_grey() -> None:
    assert np.all(np.diff(lightness_of(sequential(64))) < 0)
