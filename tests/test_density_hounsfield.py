"""Hounsfield units to density by bodies in the same scan."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.density.hounsfield import Body, HounsfieldCurve, fit_hounsfield, hounsfield_units, measure_body
from bandkit.errors import CalibrationError


def body(density, hu, *, sd_hu=1.0, **more) -> Body:
    return Body(label=f"rod {density:g}", density_g_cm3=density, mean_hu=hu, sd_hu=sd_hu, **more)


def on_line(*densities) -> list[Body]:
    return [body(d, 1300 * d - 1000) for d in densities]


def codes(curve: HounsfieldCurve, density) -> list[str]:
    return [flag.code for flag in curve.flags(density)]


def test_line_through_two_bodies():
    curve = fit_hounsfield(on_line(0.9, 2.1))
    np.testing.assert_allclose(curve.density_g_cm3([-1000, 300, 1600]), [0, 1, 2], atol=1e-9)
    np.testing.assert_allclose(curve.residual_g_cm3, 0, atol=1e-9)
    assert np.isnan(curve.density_g_cm3(np.nan))


@given(st.lists(st.floats(0.0, 3.0), min_size=3, max_size=8), st.floats(300, 3000), st.floats(-2000, 500), st.sampled_from([1, 2]))
def test_there_and_back(densities, slope_hu, offset_hu, degree):
    spread = [0.1, 1.2, 2.6, *densities]
    curve = fit_hounsfield([body(d, slope_hu * (d - 0.03 * d * d) + offset_hu) for d in spread], degree=degree)
    inside = np.linspace(0.1, 2.6, 11)
    np.testing.assert_allclose(curve.density_g_cm3(curve.hounsfield_of(inside)), inside, atol=1e-6)


def test_quadratic_follows_a_scan_that_hardens():
    densities = np.array([0.0, 0.8, 1.4, 2.0, 2.6])
    bent = [body(d, 1400 * d * (1 - 0.08 * d) - 1000) for d in densities]
    line, curve = fit_hounsfield(bent), fit_hounsfield(bent, degree=2)
    assert np.abs(line.residual_g_cm3).max() > 0.05
    assert np.abs(curve.residual_g_cm3).max() < 0.02
    assert "calibration-poor" in codes(line, [1.3])
    assert "calibration-poor" not in codes(curve, [1.3])


def test_error_grows_away_from_the_standards_and_with_their_scatter():
    near = fit_hounsfield(on_line(0.9, 1.4, 2.1))
    sd = near.density_sd_g_cm3([1.4, 2.1, 2.9])
    assert 0.002 < sd[0] < sd[1] < sd[2]
    noisy = fit_hounsfield([body(d, 1300 * d - 1000 + off, sd_hu=20) for d, off in ((0.9, 40), (1.2, -40), (1.5, 40), (2.1, -40))])
    assert noisy.density_sd_g_cm3(1.4) > 2 * sd[0]


def test_error_is_as_large_as_errors_are():
    """Standards whose stated density is off at random: 90 % intervals cover as often as they should."""
    rng = np.random.default_rng(3)
    covered = []
    for _ in range(400):
        stated = np.array([0.5, 1.0, 1.6, 2.2])
        true = stated + rng.normal(0, 0.005 * stated + 0.003)
        curve = fit_hounsfield([body(s, 1300 * t - 1000 + rng.normal(0, 2), sd_hu=2) for s, t in zip(stated, true, strict=True)])
        covered.append(abs(float(curve.density_g_cm3(1300 * 1.3 - 1000)) - 1.3) < 1.645 * float(curve.density_sd_g_cm3(1.3)))
    assert 0.84 < np.mean(covered) < 0.96


def test_slab_outside_the_standards_is_told():
    curve = fit_hounsfield(on_line(1.0, 2.0))
    assert codes(curve, np.full(100, 1.4)) == []
    assert codes(curve, np.r_[np.full(90, 1.4), np.full(10, 0.8)]) == ["outside-standards"]
    assert curve.flags(np.r_[np.full(90, 1.4), np.full(10, 0.8)])[0].detail == "10 % of the slab lies outside 1.00 to 2.00 g/cm3"
    assert codes(curve, np.full(5, np.nan)) == []


def test_body_off_the_line_is_named():
    curve = fit_hounsfield([*on_line(0.5, 1.0, 2.0), body(1.5, 1300 * 1.3 - 1000)])
    assert "rod 1.5 is off by 0.1" in curve.flags([1.2])[0].detail


@pytest.mark.parametrize(("bodies", "degree", "message"), [
    (on_line(1.5), 1, "1 of 1 different densities carry no line; add another, such as a box of air"),
    (on_line(1.5, 1.505), 1, "2 of 1 different densities carry no line"),
    (on_line(1.0, 2.0), 2, "2 of 2 different densities carry no quadratic curve"),
    ([body(1.0, 900), body(2.0, 300)], 1, "the denser ones have the lower values, which no scan shows; check each box_px"),
    ([body(0.0, -1000), body(1.0, 900), body(2.0, 950), body(1.5, 3000)], 2, r'density\.curve = "quadratic": the curve through the standards falls'),
    ([*on_line(0.0, 1.0, 2.0), body(2.5, -500)], 1, "off by .* % from the curve through all of them; check every box_px, its slices"),
])
def test_bodies_that_carry_no_curve(bodies, degree, message):
    with pytest.raises(CalibrationError, match=message):
        fit_hounsfield(bodies, degree=degree)


# -- what a body looks like ------------------------------------------------------------------------


def rod(cupping_hu=0.0, noise_hu=30.0, n=4000, seed=0):
    rng = np.random.default_rng(seed)
    radius = np.sqrt(rng.uniform(0, 1, n))
    return 1000 - cupping_hu * (1 - radius**2) + rng.normal(0, noise_hu, n), radius


def test_mean_leaves_out_a_bubble():
    values, radius = rod(noise_hu=10)
    values[:40] = -1000
    measured = measure_body(values, radius, label="rod", density_g_cm3=1.5)
    assert measured.mean_hu == pytest.approx(1000, abs=1)
    assert measured.sd_hu == pytest.approx(10 * 3 / np.sqrt(3960), rel=0.1)


def test_hollow_looking_body_is_told():
    values, radius = rod(cupping_hu=150)
    measured = measure_body(values, radius, label="rod", density_g_cm3=1.5)
    # Middle 150 (1 - 1/8) below the rim value, rim 150 (1 - (0.49 + 0.8464) / 2) below it, over about 1925.
    assert measured.cupping_frac == pytest.approx(150 * (0.875 - 0.332) / 1925, abs=0.005)
    curve = fit_hounsfield([measured, *on_line(0.5, 1.0)])
    assert "beam-hardening" in codes(curve, [1.0])


@pytest.mark.parametrize("seed", range(30))
def test_even_body_is_not(seed):
    values, radius = rod(noise_hu=400, n=400, seed=seed)
    assert abs(measure_body(values, radius, label="rod", density_g_cm3=1.5).cupping_frac) < 0.015


def test_scan_that_ends_too_low_is_told():
    values, radius = rod(noise_hu=50)
    measured = measure_body(np.minimum(values, 1020), radius, label="rod", density_g_cm3=1.5)
    assert "saturated" in codes(fit_hounsfield([measured, *on_line(0.5, 1.0)]), [1.0])
    assert measure_body(values, radius, label="rod", density_g_cm3=1.5).clipped_frac < 0.01


def test_body_without_voxels():
    with pytest.raises(CalibrationError, match=r"density\.standards: rod holds 3 voxels; draw it larger, within one thing"):
        measure_body(np.r_[np.ones(3), np.full(5, np.nan)], np.zeros(8), label="rod", density_g_cm3=1.5)


def test_summary_says_what_was_done():
    told = fit_hounsfield(on_line(0.9, 1.4, 2.1)).summary()
    assert "Density was read from Hounsfield units by a line through 3 standards of 0.90 to 2.10 g/cm3" in told.method
    assert (told.measured_in, told.stated_in, told.stated_unit) == ("Hounsfield units", "density", "g/cm3")
    assert told.parameters["slope_g_cm3_per_1000_hu"] == pytest.approx(1 / 1.3)
    assert told.parameters["intercept_g_cm3"] == pytest.approx(1 / 1.3)
    assert told.labels == ("rod 0.9", "rod 1.4", "rod 2.1")


def test_denser_and_softer_beams():
    assert hounsfield_units("water", 1.0, 70.0) == pytest.approx(0.0, abs=1e-9)
    assert hounsfield_units("aragonite", [1.0, 2.0], 70.0)[1] > 2 * hounsfield_units("aragonite", 1.0, 70.0)
