"""Errors with their covariance, against Monte Carlo and against the telescoping sum."""

import numpy as np
import pytest

from bandkit.growth import picking_covariance
from bandkit.uncertainty import ExtensionErrors

MARKS_MM = np.array([5.0, 14.0, 25.0, 33.0, 44.0, 52.0])
SD_MM = np.array([0.3, 0.2, 0.5, 0.1, 0.4, 0.3])
SCALE_SD_FRAC, TILT_SD_FRAC = 0.01, 0.006


def errors_of(marks_mm=MARKS_MM, sd_mm=SD_MM, scale=SCALE_SD_FRAC, tilt=TILT_SD_FRAC):
    extension = np.diff(marks_mm)
    return ExtensionErrors(
        year=2018.0 - np.arange(extension.size), complete=np.ones(extension.size, dtype=bool),
        picking_covariance_mm2_yr2=picking_covariance(sd_mm), scale_sd_mm_yr=scale * extension, tilt_sd_mm_yr=tilt * extension)


def drawn_extensions(n, rng):
    """Years as many people would measure them: marks picked anew, one scale and one tilt for all years of a draw."""
    marks = MARKS_MM + SD_MM * rng.standard_normal((n, MARKS_MM.size))
    common = 1 + SCALE_SD_FRAC * rng.standard_normal((n, 1)) + TILT_SD_FRAC * rng.standard_normal((n, 1))
    return np.diff(marks, axis=1) * common


def test_covariance_against_monte_carlo():
    drawn = drawn_extensions(200_000, np.random.default_rng(3))
    covariance = errors_of().covariance_mm2_yr2
    np.testing.assert_allclose(np.cov(drawn.T), covariance, atol=0.004)
    # The second and third mark are shared: what one year gains the other loses.
    assert errors_of(scale=0.0, tilt=0.0).covariance_mm2_yr2[1, 2] == pytest.approx(-(0.5**2))
    assert drawn.mean(axis=1).std() == pytest.approx(errors_of().mean_sd_mm_yr(), rel=0.01)
    some = [0, 2]
    assert drawn[:, some].mean(axis=1).std() == pytest.approx(errors_of().mean_sd_mm_yr(some), rel=0.01)


def test_mean_over_years_in_a_row_hangs_on_the_outer_marks_alone():
    # (first - last) / n: sqrt(0.3^2 + 0.3^2) / 5.
    plain = errors_of(scale=0.0, tilt=0.0)
    assert plain.mean_sd_mm_yr() == pytest.approx(np.sqrt(0.18) / 5)
    assert plain.mean_sd_mm_yr(np.array([True, True, True, False, False])) == pytest.approx(np.hypot(0.3, 0.1) / 3)


def test_scale_and_tilt_do_not_average_away():
    systematic = errors_of(sd_mm=np.zeros(6))
    assert systematic.mean_sd_mm_yr() == pytest.approx(np.hypot(SCALE_SD_FRAC, TILT_SD_FRAC) * 47.0 / 5)
