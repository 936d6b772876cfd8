"""Bands followed sideways: straight, oblique, domed and wavy ones, with texture as strong as they are."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from bandkit.follow import BandField, align_bands, average_along_bands, follow_bands
from bandkit.follow.field import _update

DEPTH = np.arange(1000) * 0.1
ACROSS = np.arange(-50, 51) * 0.4
SPACING = 8.0


def bands(shift, *, depth=DEPTH, across=ACROSS, spacing=SPACING):
    """A cosine down the track; the band at d on the track lies at d + shift(d, a) beside it."""
    u = depth[:, None]
    for _ in range(20):
        u = depth[:, None] - shift(u, across[None, :])
    return np.cos(2 * np.pi * u / spacing) + 0.2 * np.cos(2 * np.pi * u / 31.0 + 1.0)


def texture(sd, *, seed=0, depth=DEPTH, across=ACROSS):
    """Blotches of about a corallite's size."""
    grain = gaussian_filter(np.random.default_rng(seed).normal(size=(len(depth), len(across))), (8.0, 1.5))
    return sd * grain / grain.std()


def straight(deg):
    return lambda _d, a: np.tan(np.radians(deg)) * a


def domed(radius_mm):
    return lambda _d, a: a**2 / (2 * radius_mm)


def wavy(amplitude_mm, length_mm):
    return lambda d, a: amplitude_mm * (np.sin(2 * np.pi * a / length_mm + d / 20) - np.sin(d / 20))


def changing(_d, a):
    """Oblique outside, the other way inside."""
    return a * (0.3 - 0.006 * _d)


INSIDE = slice(75, 426)


def error(field, shift):
    """Shift less the true one, away from the track's ends; shape (n_depth, n_across)."""
    return (field.shift_mm - shift(field.depth_mm[:, None], field.across_mm[None, :]))[INSIDE]


SHAPES = {
    "level": straight(0), "tilt 8": straight(8), "tilt -15": straight(-15), "tilt 25": straight(25), "dome": domed(80),
    "bowl": domed(-120), "dome and tilt": lambda d, a: domed(100)(d, a) + straight(10)(d, a), "wavy": wavy(0.8, 28),
    "changing": changing}


@pytest.mark.parametrize("name", SHAPES)
def test_shift_with_texture_as_strong_as_the_bands(name):
    shift = SHAPES[name]
    values = bands(shift) + texture(0.7, seed=5)
    field = follow_bands(values, DEPTH, ACROSS)
    away = error(field, shift)
    # A small part of a year; where the track itself crosses the bands is no better known than its own texture allows.
    assert np.sqrt(np.mean(away**2)) < 0.06 * SPACING
    assert np.abs(np.median(away)) < 0.04 * SPACING
    np.testing.assert_allclose(field.shift_mm[:, field.across_mm == 0], 0.0, atol=1e-9)


@pytest.mark.parametrize("deg", [-25, -12, -4, 0, 4, 12, 25])
def test_tilt_in_degrees(deg):
    field = follow_bands(bands(straight(deg)) + texture(0.3, seed=2), DEPTH, ACROSS)
    np.testing.assert_allclose(field.tilt_deg[INSIDE], deg, atol=2.0)
    assert np.median(field.tilt_deg) == pytest.approx(deg, abs=1.0)


def test_tilt_of_a_dome_on_its_axis_is_nothing():
    field = follow_bands(bands(domed(80)), DEPTH, ACROSS)
    np.testing.assert_allclose(field.tilt_deg[INSIDE], 0.0, atol=1.0)


def test_bands_alone_are_followed_closely():
    shift = SHAPES["dome and tilt"]
    away = error(follow_bands(bands(shift), DEPTH, ACROSS), shift)
    assert np.sqrt(np.mean(away**2)) < 0.01 * SPACING


def test_mirrored_strip_gives_the_mirrored_field():
    values = bands(SHAPES["dome and tilt"]) + texture(0.5)
    plain = follow_bands(values, DEPTH, ACROSS)
    mirrored = follow_bands(values[:, ::-1], DEPTH, ACROSS)
    np.testing.assert_allclose(mirrored.shift_mm[:, ::-1], plain.shift_mm, atol=1e-6)
    np.testing.assert_allclose(mirrored.tilt_deg, -plain.tilt_deg, atol=1e-6)


@pytest.mark.parametrize(("gain", "level"), [(1e-3, 0.0), (1000.0, 5000.0), (-1.0, 0.0)])
def test_unit_level_and_polarity_do_not_matter(gain, level):
    values = bands(straight(10)) + texture(0.5)
    plain = follow_bands(values, DEPTH, ACROSS)
    other = follow_bands(level + gain * values, DEPTH, ACROSS)
    np.testing.assert_allclose(other.shift_mm, plain.shift_mm, atol=1e-4)


def test_even_slope_of_brightness_across_does_not_matter():
    values = bands(straight(10)) + texture(0.3)
    plain = follow_bands(values, DEPTH, ACROSS)
    lit = follow_bands(values + 0.2 * ACROSS[None, :], DEPTH, ACROSS)
    np.testing.assert_allclose(lit.shift_mm, plain.shift_mm, atol=1e-6)


def test_holes_are_bridged():
    shift = straight(12)
    values = bands(shift) + texture(0.4)
    holed = values.copy()
    holed[300:380, 60:90] = np.nan
    holed[600:640, :] = np.nan
    field = follow_bands(holed, DEPTH, ACROSS)
    assert np.isfinite(field.shift_mm).all()
    assert np.sqrt(np.mean(error(field, shift) ** 2)) < 0.05 * SPACING


def test_boring_across_the_track_itself_is_bridged():
    shift = straight(-10)
    values = bands(shift) + texture(0.4)
    values[400:480, 42:60] = np.nan
    field = follow_bands(values, DEPTH, ACROSS)
    assert np.sqrt(np.mean(error(field, shift) ** 2)) < 0.05 * SPACING
    np.testing.assert_allclose(field.shift_mm[:, field.across_mm == 0], 0.0, atol=1e-9)


def test_column_off_the_slab_has_next_to_no_weight():
    values = bands(straight(5)) + texture(0.3)
    values[:, ACROSS > 10] = np.random.default_rng(1).normal(size=(len(DEPTH), int((ACROSS > 10).sum())))
    field = follow_bands(values, DEPTH, ACROSS)
    good, bad = field.weight[INSIDE][:, np.abs(field.across_mm) < 8], field.weight[INSIDE][:, field.across_mm > 12]
    assert np.median(bad) < 0.5 * np.median(good)


def test_weights_are_fractions():
    field = follow_bands(bands(wavy(0.8, 28)) + texture(1.0), DEPTH, ACROSS)
    assert field.weight.min() >= 0.05
    assert field.weight.max() <= 1.0


@pytest.mark.parametrize("half_mm", [0.2, 1.0])
def test_narrow_strip_is_taken_as_straight(half_mm):
    across = np.linspace(-half_mm, half_mm, 5)
    field = follow_bands(bands(straight(20), across=across), DEPTH, across)
    np.testing.assert_array_equal(field.shift_mm, 0.0)
    np.testing.assert_array_equal(field.tilt_deg, 0.0)
    np.testing.assert_array_equal(field.weight, 1.0)
    # It can be asked anywhere all the same.
    assert field.shift_at(np.array([3.0, 9.0]), np.array([-1.0, 0.0, 1.0])).tolist() == [[0.0] * 3] * 2


@pytest.mark.parametrize("values", [
    np.full((1000, 101), np.nan), np.zeros((1000, 101)), np.random.default_rng(4).normal(size=(1000, 101))])
def test_nothing_to_follow_is_no_crash(values):
    field = follow_bands(values, DEPTH, ACROSS)
    assert np.isfinite(field.shift_mm).all()
    assert np.isfinite(field.tilt_deg).all()
    np.testing.assert_allclose(field.shift_mm[:, field.across_mm == 0], 0.0, atol=1e-9)


@pytest.mark.parametrize("n_rows", [25, 60])
def test_short_track_is_no_crash(n_rows):
    field = follow_bands(bands(straight(10))[:n_rows], DEPTH[:n_rows], ACROSS)
    assert np.isfinite(field.shift_mm).all()


def test_strip_with_one_sided_slab():
    across = np.arange(-8, 51) * 0.4
    shift = straight(10)
    field = follow_bands(bands(shift, across=across) + texture(0.3, across=across), DEPTH, across)
    assert field.across_mm[0] >= across[0] - 0.75
    assert 0.0 in field.across_mm
    assert np.sqrt(np.mean(error(field, shift) ** 2)) < 0.05 * SPACING


@settings(max_examples=6)
@given(st.floats(-22, 22), st.floats(5.0, 14.0), st.integers(0, 99))
def test_any_slope_and_spacing(deg, spacing, seed):
    field = follow_bands(bands(straight(deg), spacing=spacing) + texture(0.4, seed=seed), DEPTH, ACROSS)
    assert np.median(field.tilt_deg) == pytest.approx(deg, abs=1.5)


def ramp_field(slope):
    """A field whose shift is slope times the distance to the side."""
    across = np.arange(-4, 5) * 1.5
    depth = np.arange(0, 100, 0.2)
    shift = np.repeat(slope * across[None, :], len(depth), axis=0)
    return BandField(depth_mm=depth, across_mm=across, shift_mm=shift, weight=np.ones_like(shift),
                     tilt_deg=np.full(len(depth), np.degrees(np.arctan(slope))))


def test_align_by_hand():
    # Value is depth: moved along bands of slope 0.5, a column 2 mm to the side shows depth + 1.
    across = np.array([-2.0, 0.0, 2.0])
    values = np.repeat(DEPTH[:, None], 3, axis=1)
    aligned = align_bands(values, DEPTH, across, ramp_field(0.5))
    np.testing.assert_allclose(aligned.values[100:900], DEPTH[100:900, None] + [-1.0, 0.0, 1.0])
    np.testing.assert_array_equal(np.isnan(aligned.values), [[d - 1.0 < -1e-9, False, d + 1.0 > 99.9 + 1e-9] for d in DEPTH])
    np.testing.assert_array_equal(aligned.weight, np.isfinite(aligned.values).astype(float))


def test_mean_by_hand():
    across = np.array([-4.0, -2.0, 0.0, 2.0, 4.0])
    values = np.repeat(np.array([[10.0, 1.0, 2.0, 6.0, np.nan]]), len(DEPTH), axis=0)
    aligned = align_bands(values, DEPTH, across, ramp_field(0.0))
    for width, side, mean, known in [(4.0, 0, 3.0, 1.0), (3.9, 0, 2.0, 1.0), (0.0, 0, 2.0, 1.0), (8.0, 0, 4.75, 0.8),
                                     (8.0, 1, 6.0, 0.5), (8.0, -1, 5.5, 1.0), (1.0, 1, 2.0, 1.0)]:
        got, share = aligned.mean(width, side=side)
        np.testing.assert_allclose(got, mean)
        np.testing.assert_allclose(share, known)


def test_weights_count_only_where_asked():
    across = np.array([-1.5, 0.0, 1.5])
    field = ramp_field(0.0)
    weight = np.where(field.across_mm[None, :] > 0.5, 0.25, 1.0) * np.ones((len(field.depth_mm), 1))
    field = BandField(depth_mm=field.depth_mm, across_mm=field.across_mm, shift_mm=field.shift_mm, weight=weight,
                      tilt_deg=field.tilt_deg)
    values = np.repeat(np.array([[0.0, 0.0, 9.0]]), len(DEPTH), axis=0)
    weighted, _ = average_along_bands(values, DEPTH, across, field, width_mm=5.0)
    plain, _ = average_along_bands(values, DEPTH, across, field, width_mm=5.0, weighted=False)
    np.testing.assert_allclose(weighted, 9.0 * 0.25 / 2.25)
    np.testing.assert_allclose(plain, 3.0)


def test_nothing_known_is_unknown():
    values = np.ones((len(DEPTH), 3))
    values[10:20] = np.nan
    mean, share = average_along_bands(values, DEPTH, np.array([-1.0, 0.0, 1.0]), ramp_field(0.0), width_mm=5.0)
    np.testing.assert_array_equal(np.isnan(mean), (np.arange(len(DEPTH)) >= 10) & (np.arange(len(DEPTH)) < 20))
    np.testing.assert_array_equal(share == 0, np.isnan(mean))


def test_averaging_along_bands_keeps_them_and_averaging_across_does_not():
    shift = straight(20)
    values = bands(shift) + texture(0.7, seed=3)
    field = follow_bands(values, DEPTH, ACROSS)
    along, _ = average_along_bands(values, DEPTH, ACROSS, field, width_mm=40.0)
    truth = bands(shift, across=np.zeros(1))[:, 0]
    inner = slice(150, 850)
    assert np.corrcoef(along[inner], truth[inner])[0, 1] > 0.97
    assert abs(np.corrcoef(values.mean(axis=1)[inner], truth[inner])[0, 1]) < 0.8


def test_field_between_its_own_points_is_linear():
    field = ramp_field(0.5)
    shift = field.shift_at(np.array([0.1, 50.05]), np.array([-6.0, -0.75, 0.3, 99.0]))
    # Held beyond its edge at 6 mm.
    np.testing.assert_allclose(shift, [[-3.0, -0.375, 0.15, 3.0]] * 2)
    np.testing.assert_allclose(field.weight_at(np.array([1.0]), np.array([0.2, 5.0])), 1.0)


# ---- texture as strong as the bands, and stronger


def rms_mm(values, shift):
    return float(np.sqrt(np.mean(error(follow_bands(values, DEPTH, ACROSS), shift) ** 2)))


@pytest.mark.parametrize("spacing", [8.0, 16.0, 22.0])
@pytest.mark.parametrize("deg", [0, 12, -20])
def test_bands_of_slow_and_fast_growers_are_followed_alike(spacing, deg):
    shift = straight(deg)
    assert rms_mm(bands(shift, spacing=spacing) + texture(1.0, seed=7), shift) < 0.05 * spacing


def test_change_of_shape_that_strong_texture_suggests_is_not_followed():
    # Texture two and a half times as strong as the bands.
    away = [rms_mm(bands(straight(12)) + texture(2.5, seed=seed), straight(12)) for seed in range(3)]
    assert max(away) < 0.1 * SPACING


def test_bumps_are_followed_where_texture_lets_them_be_seen():
    shift = wavy(0.8, 28)
    true = shift(DEPTH[::2][:, None], ACROSS[None, :]).std()
    clear, blurred = (rms_mm(bands(shift) + texture(sd, seed=1), shift) for sd in (0.2, 1.0))
    assert clear < 0.45 * true
    assert clear < blurred < true


def update_of(texture_sd, expected_mm):
    """One round of refinement on bumpy bands, from level ones."""
    field = follow_bands(bands(straight(0)), DEPTH, ACROSS)
    bins = field.across_mm
    values = bands(wavy(0.4, 30), across=bins, depth=field.depth_mm) + texture(texture_sd, depth=field.depth_mm, across=bins)
    return _update(values, np.ones(values.shape, dtype=bool), field.depth_mm, bins, np.zeros(values.shape),
                   window_mm=(18.0, 3.5), expected_mm=expected_mm)


def test_update_is_held_back_by_texture_and_never_turned_round():
    free, wide, narrow = (update_of(0.7, expected_mm) for expected_mm in (None, 100.0, 0.1))
    np.testing.assert_allclose(wide, free, atol=1e-3)
    assert np.all(np.abs(narrow) <= np.abs(free) + 1e-12)
    assert np.all(narrow * free >= 0)
    assert np.median(np.abs(narrow[INSIDE])) < 0.9 * np.median(np.abs(free[INSIDE]))


def test_update_is_held_back_the_more_the_stronger_the_texture():
    kept = []
    for sd in (0.0, 0.5, 1.5):
        free, held = update_of(sd, None)[INSIDE], update_of(sd, 0.1)[INSIDE]
        kept.append(float(np.sum(held * free) / np.sum(free**2)))
    assert 0.9 < kept[0] <= 1.0
    assert kept[0] > kept[1] > kept[2]
    assert kept[2] < 0.7
