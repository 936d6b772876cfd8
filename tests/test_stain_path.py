"""Forms and connected paths of a line across a strip."""

import numpy as np

from bandkit.stain.path import MAX_SLOPE, best_forms, follow, surface_forms

ROW_MM, COLUMN_MM = 0.1, 0.5
ACROSS = (np.arange(21) - 10) * COLUMN_MM


def path_through(gain, start, **options):
    rows = np.full((1, gain.shape[1]), start)
    return follow(gain, rows, near_mm=2.0, row_mm=ROW_MM, column_mm=COLUMN_MM, **options)[0]


def test_forms_cross_the_track_and_are_no_steeper_than_a_growth_surface():
    forms = surface_forms(ACROSS, ROW_MM)
    assert np.all(forms[:, 10] == 0)
    steepest = np.abs(forms[:, -1] - forms[:, 0]).max() * ROW_MM / np.ptp(ACROSS)
    assert 0.9 * MAX_SLOPE < steepest <= MAX_SLOPE
    assert any(np.all(form == 0) for form in forms)


def test_best_form_is_the_one_that_lies_on_the_line():
    gain = np.zeros((90, 21, 1))
    forms = surface_forms(ACROSS, ROW_MM)
    wanted = int(np.argmax(forms[:, -1] - 0.5 * forms[:, 0]))
    gain[45 + forms[wanted], np.arange(21), 0] = 1.0
    score, which = best_forms(gain, forms)
    assert np.argmax(score[:, 0]) == 45
    assert score[45, 0] == 1.0
    np.testing.assert_array_equal(forms[which[45, 0]], forms[wanted])


def test_path_follows_a_lobe():
    gain = np.zeros((60, 21))
    truth = 30 + np.rint(3.0 * np.sin(np.arange(21) / 5.0)).astype(int)
    gain[truth, np.arange(21)] = 4.0
    np.testing.assert_array_equal(path_through(gain, 30), truth)


def test_faint_continuous_line_beats_a_bright_speck():
    gain = np.zeros((60, 21))
    gain[30] = 1.5
    gain[42, 9:11] = 2.5
    np.testing.assert_array_equal(path_through(gain, 31), np.full(21, 30))


def test_path_stays_near_its_form():
    gain = np.zeros((60, 21))
    gain[55] = 10.0
    assert np.all(path_through(gain, 20) < 45)


def test_steep_flank_is_taken_only_where_that_is_no_wonder():
    gain = np.zeros((60, 21))
    truth = np.where(np.arange(21) < 8, 30, np.minimum(30 + 3 * (np.arange(21) - 7), 36))
    gain[truth, np.arange(21)] = 5.0
    np.testing.assert_array_equal(path_through(gain, 30, steep=True), truth)
    faint = 0.15 * gain
    assert np.ptp(path_through(faint, 30)) == 0


def test_forms_come_with_their_mirror_images():
    forms = {tuple(form) for form in surface_forms(ACROSS, ROW_MM)}
    assert {form[::-1] for form in forms} == forms
