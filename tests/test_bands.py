"""Annual marks on profiles whose years are known: found, counted, placed, and doubted where they are doubtful."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d

from bandkit.bands import find_marks

STEP = 0.1


@dataclass(frozen=True, eq=False)
class Made:
    """A profile and where its years end."""

    depth_mm: np.ndarray
    value: np.ndarray
    marks_mm: np.ndarray


@lru_cache
def make(spacing_mm=9.0, years=14, *, spread=0.15, noise=0.35, doublet=0.0, seed=0, grain_mm=0.6):
    """Years of uneven length, each with its own height and level, a second band half a year on, and smooth noise."""
    rng = np.random.default_rng([seed, 77])
    lengths = spacing_mm * np.exp(rng.normal(0, spread, years + 1))
    marks = np.cumsum(lengths) - lengths[0] * 0.6
    depth = np.arange(0, marks[-2] + 0.5 * lengths[-1], STEP)
    edges = np.concatenate([[marks[0] - spacing_mm], marks])
    year = np.clip(np.searchsorted(edges, depth, side="right") - 1, 0, len(edges) - 2)
    phase = (depth - edges[year]) / np.diff(edges)[year]
    height = 1 + 0.25 * rng.normal(size=len(edges))[year]
    value = height * np.cos(2 * np.pi * phase) + 0.2 * rng.normal(size=len(edges))[year]
    value += doublet * np.exp(-0.5 * ((phase - 0.5) / 0.08) ** 2)
    value = gaussian_filter1d(value, 0.02 * spacing_mm / STEP)
    grain = gaussian_filter1d(rng.normal(size=len(depth)), grain_mm / STEP)
    return Made(depth_mm=depth, value=value + noise * grain / grain.std(), marks_mm=marks[marks < depth[-1] - 0.35 * spacing_mm])


@lru_cache
def marks_of(made):
    """What is found on it; several tests look at the same."""
    return find_marks(made.value, made.depth_mm, n_draws=20)


def matched(found, true, tolerance_mm):
    """How many true marks have a found one of their own within the tolerance."""
    return sum(bool(np.any(np.abs(found - mark) < tolerance_mm)) for mark in true)


def assert_right(made, marks, tolerance_yr=0.3):
    """Every mark found and none invented, the half year at the inner end left out."""
    year = float(np.median(np.diff(made.marks_mm)))
    inner = made.marks_mm[-1] + 0.35 * year
    found = marks.depth_mm[marks.depth_mm < inner]
    assert len(found) == len(made.marks_mm)
    np.testing.assert_allclose(found, made.marks_mm, atol=tolerance_yr * year)


@pytest.mark.parametrize("spacing_mm", [3.5, 5.0, 8.0, 12.0, 18.0])
def test_spacing_is_learnt(spacing_mm):
    made = make(spacing_mm)
    marks = find_marks(made.value, made.depth_mm, n_draws=50)
    assert_right(made, marks)
    assert marks.model.spacing_mm == pytest.approx(np.mean(np.diff(made.marks_mm)), rel=0.06)
    assert marks.cycle_snr > 1.5
    assert marks.log_odds_cycle > 0


@pytest.mark.parametrize("spacing_mm", [3.5, 7.0, 18.0])
def test_second_band_in_a_year_is_no_mark(spacing_mm):
    made = make(spacing_mm, doublet=0.8, noise=0.25)
    marks = find_marks(made.value, made.depth_mm, n_draws=50)
    assert_right(made, marks)


def test_even_sine_is_placed_on_its_tops():
    depth = np.arange(0, 100, STEP)
    marks = find_marks(np.cos(2 * np.pi * (depth - 4.0) / 8.0), depth, n_draws=50)
    np.testing.assert_allclose(marks.depth_mm[:11], 4.0 + 8.0 * np.arange(11), atol=0.05)
    np.testing.assert_allclose(marks.probability[:11], 1.0, atol=1e-3)
    assert marks.count_lo <= 12 <= marks.count_hi


def test_mark_of_least_density():
    made = make(seed=3)
    marks = find_marks(-made.value, made.depth_mm, dense_side=-1, n_draws=20)
    plain = find_marks(made.value, made.depth_mm, n_draws=20)
    np.testing.assert_array_equal(marks.depth_mm, plain.depth_mm)
    np.testing.assert_array_equal(marks.probability, plain.probability)
    assert_right(made, marks)


def test_greatest_and_least_density_lie_half_a_year_apart():
    depth = np.arange(0, 100, STEP)
    value = np.cos(2 * np.pi * (depth - 4.0) / 8.0)
    most, least = (find_marks(value, depth, dense_side=side, n_draws=20).depth_mm for side in (1, -1))
    np.testing.assert_allclose(least[least > 5][:9], most[:9] + 4.0, atol=0.1)


@pytest.mark.parametrize("years", [5, 6])
def test_few_years(years):
    made = make(9.0, years, noise=0.2, spread=0.1, seed=4)
    assert_right(made, find_marks(made.value, made.depth_mm, n_draws=50))


def test_unknown_stretch_is_bridged():
    made = make(8.0, 12, noise=0.25, spread=0.08, seed=1)
    value = made.value.copy()
    hole = (made.depth_mm > 50.0) & (made.depth_mm < 62.0)
    value[hole] = np.nan
    marks = find_marks(value, made.depth_mm, n_draws=50)
    assert np.isfinite(marks.depth_mm).all()
    away = (made.marks_mm < 47) | (made.marks_mm > 65)
    assert matched(marks.depth_mm, made.marks_mm[away], 2.4) == away.sum()
    assert len(marks.depth_mm) == pytest.approx(len(marks_of(made).depth_mm), abs=1)


def test_marks_in_an_unknown_stretch_are_less_sure():
    made = make(8.0, 16, noise=0.25, seed=1)
    value = made.value.copy()
    value[(made.depth_mm > 40.0) & (made.depth_mm < 70.0)] = np.nan
    marks = find_marks(value, made.depth_mm, n_draws=100)
    inside = (marks.depth_mm > 46) & (marks.depth_mm < 64)
    assert inside.any()
    assert marks.probability[inside].max() < marks.probability[~inside][:4].min()


def test_mark_in_an_unknown_stretch_stays_where_the_years_put_it():
    depth = np.arange(0, 120, STEP)
    rng = np.random.default_rng(0)
    looks = np.cos(2 * np.pi * (depth - 4.0) / 8.0) + 0.2 * gaussian_filter1d(rng.normal(size=(2, len(depth))), 6.0) * 4.0
    looks[:, (depth > 41) & (depth < 63)] = np.nan
    marks = find_marks(looks.mean(axis=0), depth, looks=looks, n_draws=20)
    inside = (marks.depth_mm > 41) & (marks.depth_mm < 63)
    true = np.array([44.0, 52.0, 60.0])
    assert inside.sum() == 3
    np.testing.assert_allclose(marks.depth_mm[inside], true, atol=1.5)
    assert np.all((marks.lo_mm[inside] <= true) & (true <= marks.hi_mm[inside]))


def test_part_that_is_known_in_few_columns_counts_for_little():
    # A masked boring leaves two of a hundred columns, which show something else.
    made = make(8.0, 12, noise=0.2, spread=0.08, seed=2)
    value, known = made.value.copy(), np.ones(len(made.depth_mm))
    hole = (made.depth_mm > 50.0) & (made.depth_mm < 60.0)
    value[hole], known[hole] = 8.0, 0.02
    marks = find_marks(value, made.depth_mm, known_frac=known, n_draws=50)
    away = (made.marks_mm < 47) | (made.marks_mm > 63)
    assert matched(marks.depth_mm, made.marks_mm[away], 2.4) == away.sum()


def test_no_tendency_to_twice_or_half_the_count():
    ratio = []
    for seed, spacing_mm in enumerate(np.geomspace(4.5, 18.0, 6).tolist()):
        made = make(spacing_mm, doublet=0.6 * (seed % 2), noise=0.5, seed=100 + seed)
        ratio.append(marks_of(made).model.spacing_mm / np.mean(np.diff(made.marks_mm)))
    np.testing.assert_allclose(ratio, 1.0, atol=0.25)


def test_short_years_with_texture_are_learnt():
    ratio = []
    for seed in (101, 102, 106):
        made = make(3.5, seed=seed)
        ratio.append(marks_of(made).model.spacing_mm / np.mean(np.diff(made.marks_mm)))
    np.testing.assert_allclose(ratio, 1.0, atol=0.25)


@pytest.mark.parametrize("spacing_mm", [6.0, 12.0])
def test_expected_spacing_from_a_person_is_kept_to(spacing_mm):
    # Two nearly equal bands a year cannot be told from two years; a person who knows the spacing settles it.
    depth = np.arange(0, 100, STEP)
    value = np.cos(2 * np.pi * depth / 6.0) + 0.15 * np.cos(2 * np.pi * depth / 12.0)
    marks = find_marks(value, depth, spacing_mm=spacing_mm, n_draws=20)
    assert marks.model.spacing_mm == pytest.approx(spacing_mm, rel=0.15)
    assert len(marks.depth_mm) == pytest.approx(100 / spacing_mm, abs=1)


def test_top_of_known_age_settles_a_faint_first_mark():
    # Collected right after the mark's date: the newest mark lies at the surface, not a year below.
    made = make(9.0, 12, noise=0.2, seed=5)
    first = made.marks_mm[0]
    cut = made.depth_mm >= first - 0.8
    depth, value = made.depth_mm[cut] - made.depth_mm[cut][0], made.value[cut]
    marks = find_marks(value, depth, outer_part_yr=0.1, n_draws=50)
    assert marks.depth_mm[0] == pytest.approx(0.8, abs=1.5)


def test_count_interval_holds_the_truth():
    inside, width = [], []
    for seed in range(6):
        made = make(7.0, 12, noise=0.9, spread=0.2, seed=200 + seed)
        marks = find_marks(made.value, made.depth_mm, n_draws=200)
        inside.append(marks.count_lo - 1 <= len(made.marks_mm) <= marks.count_hi)
        width.append(marks.count_hi - marks.count_lo)
    # The last half year may or may not hold one more.
    assert np.mean(inside) >= 0.8
    assert np.mean(width) < 5


def test_place_interval_holds_the_truth():
    inside = []
    for seed in range(4):
        made = make(8.0, 14, seed=300 + seed)
        marks = find_marks(made.value, made.depth_mm, looks=looks_at(made, seed), n_draws=20)
        for true in made.marks_mm:
            k = int(np.argmin(np.abs(marks.depth_mm - true)))
            inside.append(marks.lo_mm[k] <= true <= marks.hi_mm[k])
    assert 0.75 < np.mean(inside) <= 1.0


def looks_at(made, seed):
    """Two looks whose mean is the profile."""
    grain = gaussian_filter1d(np.random.default_rng([seed, 5]).normal(size=len(made.depth_mm)), 6.0)
    return np.stack([made.value + 0.35 * grain / grain.std(), made.value - 0.35 * grain / grain.std()])


def test_looks_that_disagree_widen_the_interval():
    made = make(8.0, 9, noise=0.2, seed=6)
    moved = [np.interp(made.depth_mm + s, made.depth_mm, made.value) for s in (-0.6, 0.6)]
    alike = find_marks(made.value, made.depth_mm, looks=np.stack([made.value] * 2), n_draws=20)
    apart = find_marks(made.value, made.depth_mm, looks=np.stack(moved), n_draws=20)
    assert np.all(apart.hi_mm - apart.lo_mm > alike.hi_mm - alike.lo_mm)
    np.testing.assert_allclose(apart.depth_mm, alike.depth_mm, atol=0.01)


def test_draws_are_the_same_every_time_but_not_alike():
    made = make(8.0, 10, noise=0.9, seed=7)
    one, same, more = (find_marks(made.value, made.depth_mm, n_draws=n) for n in (30, 30, 40))
    assert [len(marks.draws_mm) for marks in (one, same, more)] == [30, 30, 40]
    for a, b in zip(one.draws_mm, same.draws_mm, strict=True):
        np.testing.assert_array_equal(a, b)
    assert len({tuple(draw) for draw in one.draws_mm}) > 1
    np.testing.assert_array_equal(one.depth_mm, more.depth_mm)


def test_draws_agree_with_probabilities():
    made = make(8.0, 12, noise=1.0, seed=8)
    marks = find_marks(made.value, made.depth_mm, n_draws=400)
    counts = [len(d) for d in marks.draws_mm]
    assert marks.count_lo <= np.median(counts) <= marks.count_hi
    # What is drawn near a mark is how probable it is; marks moved onto their bands may differ by a little.
    year = marks.model.spacing_mm
    share = np.mean([[np.any(np.abs(d - m) < 0.3 * year) for m in marks.depth_mm] for d in marks.draws_mm], axis=0)
    np.testing.assert_allclose(share, marks.probability, atol=0.2)
    assert np.corrcoef(share, marks.probability)[0, 1] > 0.7 or np.ptp(marks.probability) < 0.1
    assert all(np.all(np.diff(d) > 0) for d in marks.draws_mm)


def test_profile_the_other_way_round_gives_the_marks_the_other_way_round():
    made = make(8.0, 10, noise=0.3, seed=9)
    end = made.depth_mm[-1]
    plain = marks_of(made)
    back = find_marks(made.value[::-1], made.depth_mm, n_draws=20)
    inner = (plain.depth_mm > 8) & (plain.depth_mm < end - 8)
    mirrored = end - back.depth_mm[::-1]
    for mark in plain.depth_mm[inner]:
        assert np.abs(mirrored - mark).min() < 0.1


@settings(max_examples=3)
@given(st.floats(1e-4, 1e4), st.floats(-1e4, 1e4))
def test_unit_and_level_do_not_matter(gain, level):
    made = make(8.0, 7, noise=0.3, seed=10)
    plain = marks_of(made)
    other = find_marks(level + gain * made.value, made.depth_mm, n_draws=5)
    np.testing.assert_allclose(other.depth_mm, plain.depth_mm, atol=0.01)
    np.testing.assert_allclose(other.probability, plain.probability, atol=1e-3)


@settings(max_examples=3)
@given(st.floats(0.6, 2.2))
def test_unit_of_length_does_not_matter(factor):
    # The same slab at another extension: everything in proportion, the weak opinion on spacing aside.
    made = make(8.0, 8, noise=0.25, seed=11)
    plain = marks_of(made)
    other = find_marks(made.value, made.depth_mm * factor, n_draws=5)
    np.testing.assert_allclose(other.depth_mm / factor, plain.depth_mm, atol=0.15)


@settings(max_examples=5)
@given(st.floats(3.0, 15.0), st.floats(0.0, 2.0), st.integers(4, 10), st.integers(0, 999))
def test_whatever_comes_out_is_in_order(spacing_mm, noise, years, seed):
    made = make(spacing_mm, years, noise=noise, seed=seed)
    marks = find_marks(made.value, made.depth_mm, n_draws=20)
    n = len(marks.depth_mm)
    assert np.all(np.diff(marks.depth_mm) > 0)
    assert np.all((marks.probability >= 0) & (marks.probability <= 1))
    assert np.all((marks.lo_mm <= marks.depth_mm) & (marks.depth_mm <= marks.hi_mm))
    assert np.all((marks.depth_mm >= made.depth_mm[0]) & (marks.depth_mm <= made.depth_mm[-1]))
    assert np.all(marks.sd_mm > 0)
    assert marks.count_lo <= marks.count_hi
    assert np.all(marks.count_lo_at <= marks.count_hi_at)
    assert np.all(np.diff(marks.count_hi_at) >= 0)
    assert 0.0 <= marks.rival_probability <= 1.0
    assert {len(v) for v in (marks.lo_mm, marks.hi_mm, marks.sd_mm, marks.probability, marks.count_lo_at,
                             marks.count_hi_at)} == {n}


def test_mark_is_the_highest_of_the_learnt_year():
    made = make(9.0, 10, doublet=0.5, seed=12)
    model = find_marks(made.value, made.depth_mm, n_draws=5).model
    phase = np.linspace(0, 1, 200, endpoint=False)
    assert min(phase[int(np.argmax(model.shape(phase)))], 1 - phase[int(np.argmax(model.shape(phase)))]) < 0.02
    np.testing.assert_allclose(model.shape(phase), model.shape(phase + 1.0))


@pytest.mark.parametrize("seed", range(2))
def test_noise_alone_is_no_cycle(seed):
    rng = np.random.default_rng(seed)
    depth = np.arange(0, 100, STEP)
    marks = find_marks(rng.normal(size=len(depth)), depth, n_draws=20)
    assert marks.log_odds_cycle < 0.5
    assert marks.cycle_snr < 1.5
    assert np.all((marks.probability >= 0) & (marks.probability <= 1))


@pytest.mark.parametrize("value", [
    np.ones(300), np.linspace(0, 5, 300), np.zeros(30), np.concatenate([np.full(299, np.nan), [1.0]]), np.full(300, np.nan)])
def test_nothing_to_find_is_no_crash(value):
    marks = find_marks(value, np.arange(len(value)) * STEP, n_draws=5)
    assert np.isfinite(marks.depth_mm).all()
    assert np.all(np.diff(marks.depth_mm) > 0)


@pytest.mark.parametrize("length_mm", [2.0, 4.0, 6.0])
def test_track_of_less_than_a_year_is_no_crash(length_mm):
    depth = np.arange(0, length_mm, STEP)
    marks = find_marks(np.cos(2 * np.pi * depth / 10.0), depth, n_draws=5)
    assert len(marks.depth_mm) <= 3
