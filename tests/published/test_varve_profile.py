"""Years counted on a real profile whose annual boundaries are published: a lake's varves, for want of such a coral.

Needs the folder of open data sets in the environment variable ``BANDKIT_REAL_DATA``; skipped without it. The profile
and the boundaries are those of Zander et al. (2021) Climate of the Past 17, 2055-2071: varves of 1959 to 2020,
confirmed by caesium-137.

What this does and does not show. Calcite falls in spring and a varve begins with it, so that a year's boundary lies
inside the crest of calcium, on the flank. By how much, the profile does not tell. All marks are therefore shifted by
one lag, which is taken from the same boundaries (the median of the nearest differences, until it stays): this tests
whether the right crests are taken for years, not where in the year they lie. Without the lag fewer boundaries are met,
and more marks are false. The calcium line was chosen for what is known of the lake; of the length of a year nothing
is told. The count is not right: some years have a second crest of calcium, and a tenth too many are counted, which
the interval of the count does not own up to.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from bandkit.bands import find_marks


def columns(path: Path, *names: str) -> list[np.ndarray]:
    """Columns of a table as numbers."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    return [np.array([float(row[name]) if row[name] not in ("", "NA") else np.nan for row in rows]) for name in names]


def nearest_mm(depth_mm: np.ndarray, among_mm: np.ndarray) -> np.ndarray:
    """Signed distance from each depth to the nearest of others."""
    away = depth_mm[:, None] - among_mm[None, :]
    return away[np.arange(len(depth_mm)), np.argmin(np.abs(away), axis=1)]


@pytest.fixture(scope="module")
def years(real_data):
    """Boundaries and found marks down to half a year below the last boundary, in mm."""
    folder = real_data / "varve-hires-profile"
    if not folder.is_dir():
        pytest.skip("varve-hires-profile is not in BANDKIT_REAL_DATA")
    boundary, = columns(folder / "Chrono_Tornado.csv", "Comp Depth")
    depth, calcium = columns(folder / "ZAB_HiRes_XRF.csv", "comp_depth_mm", "Ca.KA")
    boundary = np.sort(boundary)
    order = np.argsort(depth, kind="stable")
    even = np.arange(0.0, boundary[-1] + 4.0, 0.06)
    marks = find_marks(np.interp(even, depth[order], calcium[order]), even, n_draws=100)
    return boundary, marks


def score(found, boundary):
    """Boundaries that have a mark of their own within 0.3 of the year about them, and marks that have no boundary."""
    year = np.gradient(boundary)
    pairs = sorted((abs(f - b), i, j) for i, b in enumerate(boundary) for j, f in enumerate(found) if abs(f - b) < 0.3 * year[i])
    taken: dict[int, int] = {}
    for _, i, j in pairs:
        if i not in taken and j not in taken.values():
            taken[i] = j
    return len(taken), len(found) - len(taken)


def common_lag_mm(found, boundary):
    """One shift for all: the median of the nearest differences, taken again after the shift until it stays."""
    lag_mm = 0.0
    for _ in range(20):
        lag_mm += float(np.median(nearest_mm(found - lag_mm, boundary)))
    return lag_mm


def test_crests_of_calcium_are_the_years(years):
    boundary, marks = years
    hits, false = score(marks.depth_mm - common_lag_mm(marks.depth_mm, boundary), boundary)
    assert hits >= 54
    assert false <= 10


def test_length_of_a_year_is_learnt(years):
    boundary, marks = years
    assert marks.model.spacing_mm == pytest.approx(np.diff(boundary).mean(), rel=0.15)


def test_lag_is_a_part_of_a_year_and_matters(years):
    boundary, marks = years
    lag_mm = common_lag_mm(marks.depth_mm, boundary)
    # The crest lies nearer to the surface than the boundary: a varve's base is its oldest part, and calcite comes soon after.
    assert 0.1 < -lag_mm / np.median(np.diff(boundary)) < 0.4
    assert score(marks.depth_mm, boundary)[0] < score(marks.depth_mm - lag_mm, boundary)[0]


def test_count_is_right_within_an_eighth(years):
    boundary, marks = years
    assert len(marks.depth_mm) == pytest.approx(len(boundary), rel=0.125)
