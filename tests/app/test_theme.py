"""The palette: one look per line of the account, told apart by everybody."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from analytics.lines import LINES
from app.theme import LOOKS

# Machado, Oliveira, Fernandes: A Physiologically-based Model for Simulation of Color Vision Deficiency (2009), for
# severity 1.0
SIGHT = {
    "all cones": np.eye(3),
    "no red cones": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "no green cones": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
}
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def lab(color: str, sight: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of a colour as an eye sees it."""
    rgb = np.array([int(color[n : n + 2], 16) / 255 for n in (1, 3, 5)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    xyz = TO_XYZ @ np.clip(sight @ linear, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_every_line_of_the_account_has_a_look_of_its_own():
    assert set(LOOKS) == {line.name for line in LINES}
    marks = [own.mark for own in LOOKS.values() if own.mark]
    assert len(marks) == len(set(marks)) == len(LOOKS) - 1  # `good` needs none


@pytest.mark.parametrize("sight", SIGHT.values(), ids=SIGHT.keys())
def test_any_two_lines_are_told_apart_by_colour(sight):
    """A CIE 1976 difference of 10 is seen at a glance; 2.3 is just noticeable."""
    seen = {name: lab(own.color, sight) for name, own in LOOKS.items()}
    near = {(a, b): float(np.linalg.norm(seen[a] - seen[b])) for a, b in combinations(seen, 2)}
    assert min(near.values()) > 10, sorted(near.items(), key=lambda pair: pair[1])[:3]


def test_in_black_and_white_height_tells_work_idling_and_stops_apart():
    heights = {name: own.height for name, own in LOOKS.items()}
    assert heights["blocked"] == heights["starved"] < heights["good"] < heights["no_order"] < heights["breakdown"]
