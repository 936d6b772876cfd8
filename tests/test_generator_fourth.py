"""What `generators.fourth` says of its slabs is true, seen in the images by plain means.

The profile is averaged along the straight legs of the track; no part of the package has a hand in it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from benchmarks.straight_script import find_bands
from generators import ARAGONITE_G_CM3, GRADES, Slab
from generators.corallites import Polyps, grow_tubes
from generators.fourth import HARDENING_CM2_G, MASS_ATTENUATION_CM2_G, annual_shape, make_radiograph
from generators.score import local_year_mm, score_marks
from scipy.ndimage import gaussian_filter1d, map_coordinates

STEP_MM = 0.1
SEEDS = {"easy": (1, 11), "ordinary": (3, 4), "hard": (2, 3)}
EACH = [(grade, seed) for grade, seeds in SEEDS.items() for seed in seeds]


@cache
def slab_of(grade: str, seed: int, texture_gain: float | None = 0.0) -> Slab:
    return make_radiograph(grade, seed, texture_gain=texture_gain)


def attenuation(slab: Slab, width_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Depth in mm, and the logarithm of what is lost, averaged over a width along straight legs."""
    points = np.array(slab.points_px)
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))]) * slab.mm_per_px
    along = np.arange(0.0, reach[-1], STEP_MM)
    x, y = (np.interp(along, reach, points[:, k]) for k in (0, 1))
    aside = np.arange(-width_mm / 2, width_mm / 2 + 0.01, STEP_MM)[None, :] / slab.mm_per_px
    leg = np.clip(np.searchsorted(reach, along, side="right") - 1, 0, len(points) - 2)
    turn = np.array([np.arctan2(y1 - y0, x1 - x0) for (x0, y0), (x1, y1) in pairwise(points)])[leg]
    rows, columns = y[:, None] + aside * np.cos(turn)[:, None], x[:, None] - aside * np.sin(turn)[:, None]
    counts = map_coordinates(slab.image.astype(float), [rows, columns], order=1)
    lost = -np.log(counts / counts[: int(3.0 / STEP_MM)].mean()).mean(axis=1)
    return along - np.hypot(*(points[0] - slab.surface_px)) * slab.mm_per_px, lost


def crests_mm(slab: Slab) -> np.ndarray:
    """Depth of the highest place within 0.3 years of each mark, on a track 1 mm wide."""
    depth, lost = attenuation(slab, 1.0)
    lost = gaussian_filter1d(lost, 0.03 * slab.spacing_mm / STEP_MM)
    year = local_year_mm(slab.mark_depth_mm)
    nearby = (np.flatnonzero(np.abs(depth - mark) < 0.3 * y) for mark, y in zip(slab.mark_depth_mm, year, strict=True))
    return np.array([depth[at[np.argmax(lost[at])]] for at in nearby])


@pytest.mark.parametrize(("grade", "least_share"), [
    ("easy", 1.0),
    # Borings on the track hide some crests, and stress bands outshine them.
    ("ordinary", 0.9), ("hard", 0.75)])
def test_marks_lie_on_crests_of_density_without_texture(grade, least_share):
    for seed in SEEDS[grade]:
        slab = slab_of(grade, seed)
        off_yr = np.abs(crests_mm(slab) - slab.mark_depth_mm) / local_year_mm(slab.mark_depth_mm)
        inner = slab.mark_depth_mm < slab.track_length_mm - 0.3 * slab.spacing_mm
        assert (off_yr[inner] < 0.1).mean() >= least_share


@pytest.mark.parametrize(("grade", "seed"), EACH)
def test_texture_has_the_percentage_of_the_grade(grade, seed):
    plain, textured = slab_of(grade, seed), slab_of(grade, seed, 1.0)
    depth, lost = attenuation(textured, 5.0)
    added = lost - attenuation(plain, 5.0)[1]
    inside = (depth > 2.0) & (depth < plain.track_length_mm - 2.0)
    areal = plain.band_density_g_cm3.mean() * plain.slab_thickness_mm / 10
    percentage = added[inside].std() / (MASS_ATTENUATION_CM2_G * areal) * (1 + HARDENING_CM2_G * areal) ** 2
    assert percentage == pytest.approx(GRADES[grade].texture_frac, rel=0.15)


@pytest.mark.parametrize(("grade", "seed"), EACH)
def test_spacing_years_and_scale_are_those_of_corals_on_plates(grade, seed):
    slab = slab_of(grade, seed)
    steps = np.diff(slab.mark_depth_mm)
    assert 3.4 <= steps.mean() <= 18.5
    assert 12 <= len(steps) <= 30
    assert 0.085 <= slab.mm_per_px <= 0.1
    assert max(slab.image.shape) * slab.mm_per_px < 430.0


@pytest.mark.parametrize(("grade", "seed"), EACH)
def test_extension_is_square_to_the_bands(grade, seed):
    slab = slab_of(grade, seed)
    part = slab.year_extension_mm / np.diff(slab.mark_depth_mm)
    assert (part <= 1.0 + 1e-6).all()
    assert part.mean() >= np.cos(np.radians(30.0))
    if grade == "hard":
        assert part.mean() <= np.cos(np.radians(7.0))


@pytest.mark.parametrize("grade", GRADES)
def test_density_is_what_the_discs_tell(grade):
    slab = slab_of(grade, SEEDS[grade][0])
    # The beam row by row, from what is free of slab and discs on both sides.
    left, right = round(13.4 / slab.mm_per_px), round(16.4 / slab.mm_per_px)
    beam = np.hstack([slab.image[:, left:right], slab.image[:, -right:-left]]).mean(axis=1)
    level = replace(slab, image=slab.image / gaussian_filter1d(beam, 20.0)[:, None])
    areal = [0.0, *sorted(s.thickness_mm / 10 * ARAGONITE_G_CM3 for s in slab.standards)]
    lost = [0.0, *sorted(-np.log(level.image[y0:y1, x0:x1].mean()) for x0, y0, x1, y1 in (s.box_px for s in slab.standards))]
    depth, on_track = attenuation(level, 5.0)
    between = (depth > slab.mark_depth_mm[0]) & (depth < slab.mark_depth_mm[-1])
    density = np.interp(on_track[between], lost, areal).mean() / (slab.slab_thickness_mm / 10)
    # Borings take some away.
    assert density == pytest.approx(slab.band_density_g_cm3.mean(), rel=0.03 if grade == "easy" else 0.06)


def test_the_bar_is_as_long_as_it_is_said_to_be():
    slab = slab_of("easy", 1)
    (x0, y0), (x1, y1) = slab.bar_px
    assert np.hypot(x1 - x0, y1 - y0) * slab.mm_per_px == pytest.approx(slab.bar_length_mm)
    step = np.linspace(-0.1, 1.1, 2401)
    line = map_coordinates(slab.image.astype(float), [y0 + step * (y1 - y0), x0 + step * (x1 - x0)], order=1)
    inside = step[line < 0.5 * (line.min() + line.max())]
    np.testing.assert_allclose([inside[0], inside[-1]], [0.0, 1.0], atol=0.005)


def test_a_seed_gives_the_same_slab_and_another_a_different_one():
    first, again, other = make_radiograph("ordinary", 4, texture_gain=0.0), slab_of("ordinary", 4), slab_of("ordinary", 3)
    np.testing.assert_array_equal(first.image, again.image)
    np.testing.assert_array_equal(first.mark_depth_mm, again.mark_depth_mm)
    assert first.record_text("a.tif") == again.record_text("a.tif")
    assert not np.array_equal(first.mark_depth_mm, other.mark_depth_mm)


def test_more_texture_leaves_marks_and_bands_where_they_are():
    plain, textured = slab_of("hard", 2), slab_of("hard", 2, None)
    np.testing.assert_array_equal(plain.mark_depth_mm, textured.mark_depth_mm)
    np.testing.assert_array_equal(plain.band_density_g_cm3, textured.band_density_g_cm3)
    np.testing.assert_allclose(plain.year_density_g_cm3, plain.band_density_g_cm3)
    assert not np.allclose(textured.year_density_g_cm3, textured.band_density_g_cm3, rtol=0.01)


def test_the_straight_script_finds_all_marks_of_an_easy_slab():
    slab = slab_of("easy", 1, None)
    found = find_bands(slab.image, slab.points_px, slab.mm_per_px, spacing_mm=slab.spacing_mm, dense=slab.dense)
    assert score_marks(found, slab.mark_depth_mm, slab.track_length_mm).f1 >= 0.97


def test_every_annual_shape_begins_at_its_only_crest():
    for seed in range(40):
        shape = annual_shape(np.random.default_rng(seed))
        assert (shape[0], shape.min()) == (1.0, 0.0)
        rising = np.diff(np.append(shape, shape[0])) > 0
        assert np.count_nonzero(np.diff(rising.astype(int)) == 1) <= 1


def test_tubes_keep_the_size_of_their_calices_while_they_fan():
    polyps = Polyps(calice_mm=1.2, fortune_mm=1.0, dissepiment_mm=0.5, wall=20.0, lean=0.2, fan_per_mm=1 / 90)
    sheet = grow_tubes(polyps, 500, (-20.0, 20.0), np.random.default_rng(0))
    for row in (0, 250, 490):
        walls = np.count_nonzero(np.diff((sheet[row] > 0.4 * sheet[row].max()).astype(int)) == 1)
        assert 40.0 / walls == pytest.approx(1.2, rel=0.2)
