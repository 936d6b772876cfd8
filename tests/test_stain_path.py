"""Connected paths, and how often chance finds one."""

import numpy as np
import pytest

from bandkit.stain.evidence import combine_p, gumbel_tail
from bandkit.stain.path import best_paths


def path_through(gain):
    paths = best_paths(gain, row_mm=0.1, column_mm=0.5, centre=gain.shape[1] // 2)
    best = int(np.argmax(paths.gain.sum(axis=1)))
    return paths.rows[best]


def test_path_follows_a_slanted_line():
    gain = np.zeros((60, 21))
    truth = 20 + np.arange(21)
    gain[truth, np.arange(21)] = 1.0
    np.testing.assert_array_equal(path_through(gain), truth)


def test_faint_continuous_line_beats_a_bright_speck():
    gain = np.zeros((60, 21))
    gain[30] = 1.0
    gain[50, 8:11] = 5.0
    assert np.all(path_through(gain) == 30)


def test_path_is_never_steeper_than_35_degrees():
    rng = np.random.default_rng(2)
    paths = best_paths(3.0 * rng.standard_normal((80, 15)), row_mm=0.1, column_mm=0.5, centre=7)
    assert np.max(np.abs(np.diff(paths.rows, axis=1))) * 0.1 <= 0.5 * np.tan(np.radians(35.0))


def test_each_path_passes_its_own_row_at_the_centre():
    paths = best_paths(np.zeros((10, 5)), row_mm=0.1, column_mm=0.5, centre=2)
    np.testing.assert_array_equal(paths.rows[:, 2], np.arange(10))


def test_gumbel_tail_is_right_for_gumbel_peaks():
    peaks = np.random.default_rng(5).gumbel(2.0, 0.5, 4000)
    # 1 in 100 of such peaks exceeds this; the scale is widened on purpose.
    level = 2.0 - 0.5 * np.log(-np.log(0.99))
    assert 0.01 < gumbel_tail(level, peaks, 1) < 0.03


def test_fisher_combination():
    # Fisher (1932): two p-values of 0.05 combine to 0.0175.
    assert combine_p(0.05, 0.05) == pytest.approx(0.01748, abs=1e-5)
    assert combine_p(1.0, 1.0) == pytest.approx(1.0)
