"""How sure the marks are: whole sequences drawn again and again, and held against what is true."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_profiles import profile

from bandkit.bands import Ensemble, compare_spacings, draw_ensemble, even_out, find_marks, prepare

YEAR = np.full(3, 10.0)


def ensemble(*draws):
    return Ensemble(draws_mm=[np.array(draw, dtype=float) for draw in draws], spacing_mm=np.array([10.0]), share=np.ones(1))


def fits_of(made):
    even = even_out(prepare(made.value, made.depth_mm, None, step_mm=0.25), None)
    return even, compare_spacings(even, None, None)


def test_probability_is_the_share_of_draws_near_by():
    drawn = ensemble([5, 15, 25], [5, 17.9, 25], [5, 18.1, 25], [5, 24.9])
    np.testing.assert_allclose(drawn.probability(np.array([5.0, 15.0, 25.0]), YEAR), [1.0, 0.5, 1.0])
    # Within 0.3 of the year about each mark, and no further.
    np.testing.assert_allclose(drawn.probability(np.array([5.0, 15.0, 25.0]), 0.5 * YEAR), [1.0, 0.25, 1.0])
    np.testing.assert_allclose(drawn.probability(np.array([30.0]), YEAR[:1]), [0.0])


def test_draw_without_marks_hits_nothing():
    np.testing.assert_allclose(ensemble([], [5.0]).probability(np.array([5.0]), YEAR[:1]), [0.5])


def test_count_interval_is_that_of_the_draws():
    # 100 draws with 1 to 100 marks: 5 % have 5 or fewer, 95 % have 95 or fewer.
    drawn = ensemble(*(np.arange(1, n + 1) for n in range(1, 101)))
    lo, hi = drawn.count_within(np.array([0.5, 10.0, np.inf]))
    np.testing.assert_array_equal(lo, [0, 5, 5])
    np.testing.assert_array_equal(hi, [0, 10, 95])


@settings(max_examples=20)
@given(st.lists(st.lists(st.floats(0, 100), max_size=12).map(sorted), min_size=1, max_size=20))
def test_count_grows_inwards_and_holds_its_median(draws):
    depths = np.linspace(0, 100, 9)
    lo, hi = ensemble(*draws).count_within(depths)
    assert np.all(np.diff(lo) >= 0)
    assert np.all(np.diff(hi) >= 0)
    middle = [np.median([sum(mark <= depth for mark in draw) for draw in draws]) for depth in depths]
    assert np.all(lo <= np.ceil(middle))
    assert np.all(np.floor(middle) <= hi)


def test_shares_follow_the_scores():
    even, fits = fits_of(profile(0, n_years=12))
    model = fits[0][0]
    drawn = draw_ensemble(even, [(model, 0.0), (model, -8.0 * np.log(2)), (model, -8.0 * np.log(4))], None, n_draws=700)
    np.testing.assert_allclose(drawn.share, [4 / 7, 2 / 7, 1 / 7])
    assert len(drawn.draws_mm) == 700
    # What has hardly any share is not drawn, and the rest shares all.
    drawn = draw_ensemble(even, [(model, 0.0), (model, -8.0 * np.log(200))], None, n_draws=50)
    np.testing.assert_array_equal(drawn.share, [1.0, 0.0])


def test_draws_come_from_every_spacing_by_its_share():
    even, fits = fits_of(profile(1, n_years=14, texture=0.1))
    model = fits[0][0]
    long = replace(model, spacing_mm=2.5 * model.spacing_mm, spacing_log_sd=0.06)
    short = replace(model, spacing_log_sd=0.06)
    drawn = draw_ensemble(even, [(short, 0.0), (long, -8.0 * np.log(3))], None, n_draws=80)
    counts = np.array([len(draw) for draw in drawn.draws_mm])
    np.testing.assert_allclose(drawn.share, [0.75, 0.25])
    assert (counts[:60] > 10).all()
    assert (counts[60:] < 10).all()


def test_same_profile_gives_the_same_draws():
    even, fits = fits_of(profile(2, n_years=12, texture=0.5))
    one, two = (draw_ensemble(even, fits, None, n_draws=40) for _ in range(2))
    for a, b in zip(one.draws_mm, two.draws_mm, strict=True):
        np.testing.assert_array_equal(a, b)


@settings(max_examples=6)
@given(st.integers(0, 999), st.floats(0.05, 0.8), st.integers(1, 60))
def test_draws_are_in_order_and_on_the_track(seed, texture, n_draws):
    made = profile(seed, n_years=5, texture=texture)
    marks = find_marks(made.value, made.depth_mm, looks=made.looks, n_draws=n_draws)
    assert len(marks.draws_mm) == n_draws
    for draw in marks.draws_mm:
        assert np.all(np.diff(draw) >= 0)
        assert np.all((draw >= made.depth_mm[0]) & (draw <= made.depth_mm[-1]))
    np.testing.assert_allclose(marks.probability * n_draws, np.rint(marks.probability * n_draws), atol=1e-9)
    counts = np.sort([len(draw) for draw in marks.draws_mm])
    assert marks.count_lo <= counts[n_draws // 2] <= marks.count_hi


def test_more_texture_leaves_more_open():
    width = []
    for texture in (0.1, 0.4, 0.8):
        marks = [find_marks(made.value, made.depth_mm, looks=made.looks, n_draws=60)
                 for made in (profile(seed, n_years=12, texture=texture) for seed in range(4))]
        width.append(np.mean([m.count_hi - m.count_lo for m in marks]))
    assert width[0] < width[1] < width[2]
    assert width[0] < 1


def drawn_profile(seed):
    """One of many: years of 5 to 15 mm, uneven, half of them with second crests, texture up to as strong as the crests."""
    rng = np.random.default_rng([seed, 99])
    return profile(seed, year_mm=rng.uniform(5, 15), n_years=int(rng.integers(8, 20)), cv=rng.uniform(0.12, 0.3),
                   texture=rng.uniform(0.25, 0.55), texture_mm=rng.uniform(0.5, 2.0), doublet=0.4 * (seed % 2))


@pytest.mark.slow
def test_stated_probabilities_are_met():
    # Another 60 profiles than those on which the ensemble's modesty was looked at.
    probability, right, covered = [], [], []
    for seed in range(5000, 5060):
        made = drawn_profile(seed)
        marks = find_marks(made.value, made.depth_mm, looks=made.looks, n_draws=200)
        probability.append(marks.probability)
        right.append(made.right(marks.depth_mm))
        covered.append(marks.count_lo <= len(made.marks_mm) <= marks.count_hi)
    p, ok = np.concatenate(probability), np.concatenate(right)
    unsure = (p >= 0.5) & (p < 0.8)
    assert unsure.sum() > 10, "hardly any doubtful mark: this test looks at the wrong profiles"
    assert 0.4 <= ok[unsure].mean() <= 0.9
    assert ok[p >= 0.95].mean() > 0.95
    assert 0.85 <= np.mean(covered) <= 1.0
