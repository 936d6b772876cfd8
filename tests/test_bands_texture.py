"""The texture that two looks do not share: how far it reaches, and a profile in which it is evened out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_profiles import autoregressive
from scipy.ndimage import gaussian_filter1d

from bandkit.bands import find_marks, prepare
from bandkit.bands.texture import FLOOR_FRAC, MOST_ROBUST_SD, SLOW_MM, Texture, even_out, texture_of

STEP = 0.25
DEPTH = np.arange(0, 600, STEP)


def series_of(value, depth=DEPTH):
    return prepare(value, depth, None, step_mm=STEP)


def smooth_texture(length_mm, seed):
    """White noise under a Gaussian: its correlation is a half at 2 sd sqrt(ln 2)."""
    sd_mm = length_mm / (2 * np.sqrt(np.log(2)))
    value = gaussian_filter1d(np.random.default_rng(seed).standard_normal(len(DEPTH)), sd_mm / STEP)
    return value / value.std()


@pytest.mark.parametrize("length_mm", [0.5, 0.65, 0.8])
@pytest.mark.parametrize("seed", [0, 1])
def test_half_length_of_short_texture(length_mm, seed):
    assert texture_of(series_of(smooth_texture(length_mm, seed))).length_mm == pytest.approx(length_mm, rel=0.15)


def half_of(spectrum):
    """Where the correlation belonging to a spectrum falls to a half, without what is slower than `SLOW_MM`."""
    f = np.arange(0.0005, 2.0, 0.001)
    lag = np.arange(0, 5, 0.005)
    quick = spectrum(f) * (1 - np.exp(-2 * (np.pi * SLOW_MM * f) ** 2)) ** 2
    r = np.cos(2 * np.pi * lag[:, None] * f) @ quick
    return lag[np.argmax(r < 0.5 * r[0])]


@pytest.mark.parametrize("length_mm", [1.2, 1.6, 2.0])
def test_half_length_of_long_texture(length_mm):
    sd_mm = length_mm / (2 * np.sqrt(np.log(2)))
    expected = half_of(lambda f: np.exp(-4 * (np.pi * sd_mm * f) ** 2))
    assert 0.5 * length_mm < expected < length_mm
    found = [texture_of(series_of(smooth_texture(length_mm, seed))).length_mm for seed in range(3)]
    assert np.mean(found) == pytest.approx(expected, rel=0.15)


@pytest.mark.parametrize("decay_mm", [0.7, 1.0, 1.5])
def test_half_length_of_autoregressive_texture(decay_mm):
    r = np.exp(-STEP / decay_mm)
    expected = half_of(lambda f: 1 / (1 - 2 * r * np.cos(2 * np.pi * f * STEP) + r * r))
    found = [texture_of(series_of(autoregressive(np.random.default_rng([3, seed]), len(DEPTH), decay_mm, step_mm=STEP))).length_mm
             for seed in range(3)]
    assert np.mean(found) == pytest.approx(expected, rel=0.15)


def test_spectrum_is_that_of_the_texture():
    decay_mm = 1.0
    found = texture_of(series_of(autoregressive(np.random.default_rng(4), len(DEPTH), decay_mm, step_mm=STEP)))
    r, at = np.exp(-STEP / decay_mm), (found.frequency_mm > 0.1) & (found.frequency_mm < 1.5)
    true = 1 / (1 - 2 * r * np.cos(2 * np.pi * found.frequency_mm * STEP) + r * r)
    ratio = np.log(found.power[at] / true[at])
    assert ratio.std() < 0.35
    assert abs(np.polyfit(np.log(found.frequency_mm[at]), ratio, 1)[0]) < 0.15


@pytest.mark.parametrize("value", [np.zeros(len(DEPTH)), np.full(len(DEPTH), 3.0), np.where(DEPTH < 15, np.sin(DEPTH), np.nan)],
                         ids=["no difference", "a level", "too little known"])
def test_no_texture_where_looks_do_not_differ_or_little_is_known(value):
    assert texture_of(series_of(value)) is None


def test_marks_are_found_where_two_looks_are_the_same_or_absent():
    depth = np.arange(0, 120, 0.1)
    value = np.cos(2 * np.pi * (depth - 4) / 8)
    none = find_marks(value, depth, n_draws=5)
    for looks in (np.stack([value, value]), np.full((2, len(depth)), np.nan)):
        np.testing.assert_allclose(find_marks(value, depth, looks=looks, n_draws=5).depth_mm, none.depth_mm, atol=0.05)


def test_evened_texture_is_flat():
    series = series_of(smooth_texture(1.2, 5))
    texture = texture_of(series)
    even = even_out(series, texture)
    frequency = np.fft.rfftfreq(series.n, STEP)
    enough = texture.frequency_mm[texture.power > 2 * FLOOR_FRAC * texture.power.max()].max()
    held = (frequency > 0.03) & (frequency < enough)

    def tilt(x):
        """Power of the finer half over that of the coarser half, as a logarithm."""
        coarse, fine = np.array_split(np.abs(np.fft.rfft(x)[held]) ** 2, 2)
        return float(np.log(fine.mean() / coarse.mean()))

    assert tilt(series.value) < -0.7
    assert abs(tilt(even.value)) < 0.25


def test_no_frequency_is_lifted_beyond_the_floor():
    series = series_of(smooth_texture(1.2, 5) + 1e-4 * np.random.default_rng(6).standard_normal(len(DEPTH)))
    even = even_out(series, texture_of(series))
    gain = np.abs(np.fft.rfft(even.value)) / np.abs(np.fft.rfft(series.value))
    frequency = np.fft.rfftfreq(series.n, STEP)
    lift = np.median(gain[frequency > 1.2]) / np.median(gain[(frequency > 0.02) & (frequency < 0.06)])
    assert lift < 1.1 / np.sqrt(FLOOR_FRAC)


@settings(max_examples=10)
@given(st.floats(4.0, 12.0), st.floats(0.5, 1.6), st.integers(0, 99))
def test_crests_stay_in_place(year_mm, length_mm, seed):
    texture = texture_of(series_of(smooth_texture(length_mm, seed)))
    at = np.arange(30.0, 570.0, year_mm)
    value = np.cos(2 * np.pi * (DEPTH - 30.0) / year_mm)
    even = even_out(series_of(value), texture)
    depth = even.start_mm + STEP * np.arange(even.n)
    for mark in at[1:-1]:
        near = np.abs(depth - mark) < 0.4 * year_mm
        assert abs(depth[near][np.argmax(even.value[near])] - mark) <= STEP


def test_outliers_are_held_back():
    value = np.sin(2 * np.pi * DEPTH / 9)
    value[1000:1004] = 40.0
    even = even_out(series_of(value), None)
    # Units of the profile's own robust deviation, and then of its standard deviation: of the same order.
    assert even.value.max() < 1.5 * MOST_ROBUST_SD
    np.testing.assert_allclose(np.average(even.value, weights=even.weight), 0.0, atol=1e-9)
    np.testing.assert_allclose(np.average(even.value**2, weights=even.weight), 1.0)
    correlation = np.corrcoef(even.value[:900], np.sin(2 * np.pi * DEPTH / 9)[:900])[0, 1]
    assert correlation > 0.98


def test_what_is_unknown_stays_unknown():
    value = np.sin(2 * np.pi * DEPTH / 9)
    value[400:480] = np.nan
    even = even_out(series_of(value), Texture(length_mm=1.0, frequency_mm=np.array([0.0, 2.0]), power=np.array([1.0, 0.1])))
    np.testing.assert_array_equal(even.value[405:475], 0.0)
    np.testing.assert_array_equal(even.weight[405:475], 0.0)
    assert np.isfinite(even.value).all()


@pytest.mark.parametrize("texture", [None, Texture(length_mm=1.0, frequency_mm=np.array([0.0, 2.0]), power=np.ones(2))])
def test_even_texture_leaves_the_profile_as_it_is(texture):
    series = series_of(np.sin(2 * np.pi * DEPTH / 9))
    even = even_out(series, texture)
    np.testing.assert_allclose(even.value / even.value.std(), (series.value - series.value.mean()) / series.value.std(), atol=0.02)


@pytest.mark.parametrize("extra", range(10))
def test_evidence_does_not_depend_on_what_is_left_over_at_the_end(extra):
    # The last cell takes the samples that fill no cell of their own; it must not weigh down the others.
    depth = np.arange(900 + extra) * 0.1
    series = prepare(np.cos(depth), depth, None, step_mm=0.25)
    np.testing.assert_allclose(series.weight, series.weight[0])


def test_samples_lie_where_their_cells_do():
    for step_mm in (0.1, 0.3, 0.5):
        depth = 2.0 + np.arange(3000) * 0.1
        series = prepare(np.sin(2 * np.pi * depth / 9), depth, None, step_mm=step_mm)
        at = series.start_mm + step_mm * np.arange(series.n)
        inner = (at > 90) & (at < 210)  # away from where the slow trend has one side only
        fit = np.polyfit(np.sin(2 * np.pi * at[inner] / 9), series.value[inner], 1)
        away = series.value[inner] - np.polyval(fit, np.sin(2 * np.pi * at[inner] / 9))
        assert np.abs(away).max() < 0.03


def test_profile_known_in_hardly_any_column_has_no_marks():
    depth = np.arange(0, 120, 0.1)
    marks = find_marks(np.cos(depth), depth, known_frac=np.full(len(depth), 0.02), n_draws=5)
    assert len(marks.depth_mm) == 0
    assert (marks.count_lo, marks.count_hi) == (0, 0)
