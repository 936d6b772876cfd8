"""Greys, standards, the curve between them, and density of a slab from a forward model of its own."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit import errors
from bandkit.density import (
    StandardSamples,
    calibrate,
    coral_attenuation_cm2_g,
    even_beam,
    find_open_beam,
    fit_beam,
    grey_flags,
    known_material,
    mass_attenuation_cm2_g,
    measure_patch,
    saturated_frac,
    slab_density_g_cm3,
    standard_samples,
    thickness_sd_frac,
    transmitted_intensity,
)
from bandkit.density.curve import Curve
from bandkit.density.response import Response

STEPS_G_CM2 = np.arange(1, 7) * 0.293
FULL_SCALE = 65535.0


def arrived(areal, *, beam=1.0, mu=0.88, k=0.0, offset=0.0):
    """Intensity behind some mass per area, in units of the open beam."""
    areal = np.asarray(areal, float)
    return offset + beam * np.exp(-mu * areal * (1 + k * areal))


def tube(kvp, aluminium_mm=2.5, material=None):
    """Transmission of coral, or another material, for Kramers' spectrum on a detector that adds up energy."""
    kev = np.linspace(12.0, kvp, 150)[:-1]
    share = (kvp - kev) * np.exp(-mass_attenuation_cm2_g("aluminium", kev) * 0.2699 * aluminium_mm)
    share /= share.sum()
    mu = coral_attenuation_cm2_g(kev, strontium_frac=0.008) if material is None else mass_attenuation_cm2_g(material, kev)
    return lambda areal: np.exp(-np.multiply.outer(np.asarray(areal, float), mu)) @ share


def samples_of(areal, intensity, *, sd=1e-5, beam=1.0, level_sd=1e-3, materials=()):
    """Standards measured under an open beam of that intensity."""
    n = len(areal)
    return StandardSamples(
        areal_density_g_cm2=np.asarray(areal, float), intensity=np.asarray(intensity, float), sd=np.full(n, sd),
        log_beam=np.log(np.broadcast_to(np.asarray(beam, float), (n,))), log_beam_sd=np.full(n, 1e-4),
        beam_level_sd=level_sd, labels=tuple(f"aragonite {i + 1}.0 mm" for i in range(n)),
        materials=tuple(known_material(m) for m in materials))


# ---------------------------------------------------------------- greys

def test_dense_bright_is_dense_dark_upside_down():
    grey = np.array([0.0, 100.0, 255.0])
    bright = transmitted_intensity(255 - grey, dense="bright", values="intensity", full_scale=255)
    assert bright.tolist() == [0.0, 100.0, 255.0]
    assert transmitted_intensity(grey, dense="dark", values="intensity", full_scale=255).tolist() == grey.tolist()


@pytest.mark.parametrize(("values", "dense", "grey"), [
    ("optical-density", "bright", [10.0, 20.0, 30.0]), ("optical-density", "dark", [30.0, 20.0, 10.0]),
    ("hounsfield", "bright", [-1000.0, 0.0, 1000.0])])
def test_attenuation_is_linear_in_logarithmic_greys_and_dense_is_more(values, dense, grey):
    attenuation = -np.log(transmitted_intensity(grey, dense=dense, values=values, full_scale=100.0))
    first, second = np.diff(attenuation)
    assert first == pytest.approx(second)
    assert first > 0


def test_hounsfield_of_air_and_water():
    intensity = transmitted_intensity([-1000.0, 0.0], dense="bright", values="hounsfield", full_scale=1.0)
    np.testing.assert_allclose(-np.log(intensity), [0.0, 1.0])


@pytest.mark.parametrize(("key", "match"), [({"dense": "white"}, "image.dense: 'white'"),
                                            ({"values": "grey"}, "image.values: 'grey'")])
def test_unknown_meaning_of_greys(key, match):
    with pytest.raises(errors.CalibrationError, match=match):
        transmitted_intensity([1.0], **({"dense": "dark", "values": "intensity", "full_scale": 255.0} | key))


def test_patch_ignores_dust_and_the_next_step():
    patch = np.random.default_rng(0).normal(1000.0, 5.0, (50, 50))
    patch[:5] = 1500.0
    patch[20, 20] = np.nan
    measured = measure_patch(patch)
    assert measured.intensity == pytest.approx(1000.0, abs=1.0)
    assert 5.0 / 50 < measured.sd < 1.0
    assert measured.n < 2300


def test_patch_of_coarse_greys_keeps_its_mean():
    assert measure_patch([100.0] * 70 + [101.0] * 30).intensity == pytest.approx(100.3)


def test_patch_without_pixels():
    with pytest.raises(errors.CalibrationError, match="box_px: the box holds no pixels"):
        measure_patch([np.nan])


def test_saturation_and_eight_bits_are_flagged():
    assert saturated_frac([0, 10, 255, np.nan], full_scale=255) == pytest.approx(2 / 3)
    assert saturated_frac([np.nan], full_scale=255) == 0.0
    flags = grey_flags({"slab": 0.0, "aragonite 1.0 mm": 0.4}, full_scale=255)
    assert [f.code for f in flags] == ["saturated", "eight-bit"]
    assert flags[0].detail == "aragonite 1.0 mm 40.0 %"
    assert grey_flags({"slab": 0.001}, full_scale=FULL_SCALE) == ()


# ---------------------------------------------------------------- calibration

@pytest.mark.parametrize("offset", [-0.03, 0.0, 0.03])
@pytest.mark.parametrize("k", [-0.08, -0.04, 0.0])
def test_offset_and_curvature_are_absorbed(offset, k):
    beam = 1.0 + offset
    curve = calibrate(samples_of(STEPS_G_CM2, arrived(STEPS_G_CM2, offset=offset, k=k), beam=beam))
    slab = np.linspace(0.3, 1.7, 50)
    measured = curve.areal_density_g_cm2(arrived(slab, offset=offset, k=k), np.log(beam))
    np.testing.assert_allclose(measured, slab, atol=0.003)
    assert curve.flags(slab) == ()


def test_offset_matters_where_the_beam_differs_from_the_standards():
    # Behind the same slab, 20 % less beam: only a curve with the offset gives the same mass.
    curve = calibrate(samples_of(STEPS_G_CM2, arrived(STEPS_G_CM2, offset=0.04), beam=1.04))
    measured = curve.areal_density_g_cm2(arrived(0.85, beam=0.8, offset=0.04), np.log(0.84))
    assert measured == pytest.approx(0.85, abs=0.008)
    naive = (np.log(0.84) - np.log(arrived(0.85, beam=0.8, offset=0.04))) / 0.88
    assert abs(naive - 0.85) > 0.03


@settings(deadline=None, max_examples=15)
@given(k=st.floats(-0.12, 0.0), offset=st.floats(-0.05, 0.08), mu=st.floats(0.2, 3.0))
def test_inversion_is_exact_and_monotone(k, offset, mu):
    areal = STEPS_G_CM2[:5]
    beam = 1 + offset
    if arrived(areal[-1], mu=mu, k=k) < 0.02:
        areal = areal[:3]
    intensity = arrived(areal, mu=mu, k=k, offset=offset)
    if intensity[-1] <= 0:
        return
    curve = calibrate(samples_of(areal, intensity, beam=beam))
    back = curve.areal_density_g_cm2(np.geomspace(beam, intensity[-1], 200), np.log(beam))
    assert np.all(np.diff(back) > 0)
    summary = curve.summary()
    open_signal = curve.curve.response.log_exposure([beam])
    signal = curve.curve.signal(summary.curve_attenuation, open_signal)
    np.testing.assert_allclose(curve.areal_density_g_cm2(signal, np.log(beam)), summary.curve_g_cm2, atol=1e-9)


def test_exposure_does_not_matter():
    intensity = arrived(STEPS_G_CM2, offset=0.02, k=-0.05)
    one = calibrate(samples_of(STEPS_G_CM2, intensity, beam=1.02))
    more = calibrate(samples_of(STEPS_G_CM2, 1.5 * intensity, sd=1.5e-5, beam=1.53))
    slab = arrived([0.5, 0.85, 1.2], offset=0.02, k=-0.05)
    np.testing.assert_allclose(more.areal_density_g_cm2(1.5 * slab, np.log(1.53)),
                               one.areal_density_g_cm2(slab, np.log(1.02)), atol=5e-4)


def test_one_standard_gives_the_usual_curve_through_the_open_beam_and_much_doubt():
    one = calibrate(samples_of([0.9], arrived([0.9])))
    assert one.areal_density_g_cm2(arrived(0.9), 0.0) == pytest.approx(0.9, abs=1e-4)
    # Hardly anything speaks for another offset and width than the usual ones.
    assert (one.curve.response.offset_frac, one.curve.breadth) == pytest.approx((0.0, 1.0), abs=0.02)
    six = calibrate(samples_of(STEPS_G_CM2, arrived(STEPS_G_CM2)))
    assert one.areal_density_sd_g_cm2(0.5) > 3 * six.areal_density_sd_g_cm2(0.5)
    assert one.areal_density_sd_g_cm2(0.9) < one.areal_density_sd_g_cm2(1.5)
    assert one.flags([0.5]) == ()
    assert [f.code for f in one.flags([1.2])] == ["outside-standards"]


def test_two_standards_that_disagree_are_flagged():
    through = tube(60.0)
    good = calibrate(samples_of([0.3, 0.9], through([0.3, 0.9])))
    assert good.flags([0.6]) == ()
    # One step of twice the thickness that is stated: two numbers more than what two standards tell.
    bad = calibrate(samples_of([0.3, 0.9], through([0.6, 0.9])))
    assert [f.code for f in bad.flags([0.6])] == ["calibration-poor"]


def test_box_on_the_wrong_step_is_named():
    intensity = arrived(STEPS_G_CM2)
    intensity[3] = arrived(STEPS_G_CM2[3] * 1.15)
    curve = calibrate(samples_of(STEPS_G_CM2, intensity))
    (flag,) = curve.flags([0.8])
    assert flag.code == "calibration-poor"
    assert "aragonite 4.0 mm is off by" in flag.detail


def test_thicker_standard_that_lets_more_through_is_named():
    intensity = arrived(STEPS_G_CM2)
    intensity[[2, 3]] = intensity[[3, 2]]
    (flag,) = calibrate(samples_of(STEPS_G_CM2, intensity)).flags([0.8])
    assert "a thicker standard lets more through" in flag.detail


def test_slab_outside_the_standards_is_flagged_with_its_share():
    curve = calibrate(samples_of(STEPS_G_CM2[:3], arrived(STEPS_G_CM2[:3])))
    (flag,) = curve.flags([0.5, 0.6, 0.7, 1.2, np.nan])
    assert flag.code == "outside-standards"
    assert flag.detail == "25 % of the slab lies outside 0.29 to 0.88 g/cm2"


def test_errors_name_what_is_wrong():
    good = arrived(STEPS_G_CM2)
    with pytest.raises(errors.CalibrationError, match=r"image\.dense is likely the wrong way round, or the boxes"):
        calibrate(samples_of(STEPS_G_CM2, good[::-1]))
    with pytest.raises(errors.CalibrationError, match="brighter than the open beam"):
        calibrate(samples_of([0.5], [1.4]))
    with pytest.raises(errors.CalibrationError, match=r"no intensity behind aragonite 3\.0 mm; move its box_px"):
        calibrate(samples_of(STEPS_G_CM2, np.where(np.arange(6) == 2, np.nan, good)))
    with pytest.raises(errors.CalibrationError, match=r"no intensity behind aragonite 6\.0 mm"):
        calibrate(samples_of(STEPS_G_CM2, np.where(np.arange(6) == 5, 0.0, good)))
    with pytest.raises(errors.CalibrationError, match=r"mass per area .* give thickness_mm and density_g_cm3 above 0"):
        calibrate(samples_of([0.3, -0.1], good[:2]))
    with pytest.raises(errors.CalibrationError, match="one standard and no open beam"):
        calibrate(samples_of([0.5], [0.6], level_sd=0.5))
    with pytest.raises(errors.CalibrationError, match=r"density\.standards: there are none") as caught:
        standard_samples([], [], [], [], even_beam(1.0, shape=(10, 10)))
    assert caught.value.reason == "no-standards"


def test_standards_of_one_grey_cannot_carry_a_curve():
    with pytest.raises(errors.CalibrationError, match="thick and thin let equally much through"):
        calibrate(samples_of(STEPS_G_CM2, np.full(6, 0.5)))


def test_without_open_beam_the_standards_give_its_level():
    # The guess of the open beam is 20 % off.
    standards = samples_of(STEPS_G_CM2, arrived(STEPS_G_CM2), beam=1.2, level_sd=0.5)
    curve = calibrate(standards)
    assert curve.areal_density_g_cm2(arrived(0.85), np.log(1.2)) == pytest.approx(0.85, abs=0.005)


def test_logarithmic_greys_need_no_unit():
    # Attenuation in units of the image: 0.2 per g/cm2, bent by 10 % over the range.
    attenuation = 0.2 * STEPS_G_CM2 * (1 - 0.06 * STEPS_G_CM2)
    curve = calibrate(samples_of(STEPS_G_CM2, np.exp(-attenuation)), values="optical-density")
    slab = 0.2 * 0.85 * (1 - 0.06 * 0.85)
    assert curve.areal_density_g_cm2(np.exp(-slab), 0.0) == pytest.approx(0.85, abs=0.004)
    # The contrast is not known, so one material does not tell the energy.
    assert "effective_kev_fitted" not in curve.summary().parameters


def test_summary_tells_the_curve_in_numbers_and_words():
    curve = calibrate(samples_of(STEPS_G_CM2, arrived(STEPS_G_CM2, mu=0.8817)))
    summary = curve.summary(fit_beam([1, 5, 9], [1, 9, 5], [1.0, 1.0, 1.0], shape=(10, 10)))
    np.testing.assert_allclose(summary.areal_density_g_cm2, STEPS_G_CM2, rtol=1e-5)
    np.testing.assert_allclose(summary.fitted_g_cm2 + summary.residual_g_cm2, STEPS_G_CM2, rtol=1e-5)
    assert np.all(np.diff(summary.curve_attenuation) > 0)
    assert summary.curve_sd_g_cm2[0] < summary.curve_sd_g_cm2[-1]
    assert "6 standards of 0.29 to 1.76 g/cm2" in summary.method
    assert "third-order surface" in summary.beam_method
    assert summary.parameters["effective_kev_fitted"] == pytest.approx(40.0, abs=2.0)
    assert summary.parameters["attenuation_cm2_g"] == pytest.approx(0.8817, rel=0.03)


def test_standard_error_covers_the_error():
    errors_in_sd = []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        offset, through = abs(rng.normal(0, 0.05)), tube(rng.uniform(45, 75), rng.uniform(1.0, 4.0))
        truth = STEPS_G_CM2 * (1 + 0.005 * rng.standard_normal(6))
        intensity = offset + through(truth) * (1 + 0.002 * rng.standard_normal(6))
        curve = calibrate(samples_of(STEPS_G_CM2, intensity, sd=0.001, beam=1 + offset))
        log_beam = np.log(0.9 + offset)
        measured = curve.areal_density_g_cm2(offset + 0.9 * through(0.85), log_beam)
        errors_in_sd.append(float((measured - 0.85) / curve.areal_density_sd_g_cm2(0.85, log_beam=log_beam)))
    size = np.abs(errors_in_sd)
    # Binomial noise of 100 slabs is 4 % and 3 %.
    assert 0.60 < np.mean(size < 1) < 0.85
    assert 0.84 < np.mean(size < 1.645) < 0.98
    assert abs(np.mean(errors_in_sd)) < 0.4


def test_beam_error_goes_into_the_standard_error():
    curve = calibrate(samples_of(STEPS_G_CM2, arrived(STEPS_G_CM2)))
    alone = float(curve.areal_density_sd_g_cm2(0.85))
    both = float(curve.areal_density_sd_g_cm2(0.85, beam_log_sd=0.02))
    # d sigma = d ln I0 / mu where there is no offset.
    assert np.sqrt(both**2 - alone**2) == pytest.approx(0.02 / 0.88, rel=0.1)


@pytest.mark.parametrize("kvp", [50.0, 60.0, 70.0])
@pytest.mark.parametrize("offset", [0.0, 0.03])
def test_hardening_beam_of_a_tube_is_met(kvp, offset):
    through = tube(kvp)
    curve = calibrate(samples_of(STEPS_G_CM2, offset + through(STEPS_G_CM2), beam=1 + offset))
    slab = np.linspace(0.4, 1.5, 30)
    # 0.005 g/cm2 is 0.007 g/cm3 on a slab of 7 mm.
    np.testing.assert_allclose(curve.areal_density_g_cm2(offset + through(slab), np.log(1 + offset)), slab, atol=0.005)
    assert curve.curve.breadth > 0.7
    assert curve.flags(slab) == ()


@given(breadth=st.floats(0.0, 2.0), kev=st.floats(20.0, 90.0), areal=st.floats(-0.1, 3.0))
def test_curve_is_undone_exactly(breadth, kev, areal):
    curve = Curve(response=Response(form="linear", unit=1.0), log_kev=np.log(kev), breadth=breadth)
    assert curve.coral_g_cm2(curve.coral_attenuation(areal)) == pytest.approx(areal, rel=1e-7, abs=1e-10)
    assert curve.attenuation(curve.signal(0.7, -0.1, 0.02), -0.1, 0.02) == pytest.approx(0.7)


# ---------------------------------------------------------------- other materials, energy, strontium

ALUMINIUM_G_CM2 = np.array([1.0, 2.5, 4.0, 6.0, 8.0, 10.5]) * 0.2699


def test_aluminium_steps_tell_the_energy_where_greys_are_linear():
    through = tube(60.0, material="aluminium")
    curve = calibrate(samples_of(ALUMINIUM_G_CM2, through(ALUMINIUM_G_CM2), materials=["aluminium"] * 6))
    slab = np.linspace(0.5, 1.3, 9)
    np.testing.assert_allclose(curve.areal_density_g_cm2(tube(60.0)(slab), 0.0), slab, rtol=0.006)
    (flag,) = curve.flags(slab)
    assert flag.code == "energy-fitted"
    kev, sd = curve.effective_energy_kev()
    # What a single energy would have to be to dim 1 g/cm2 of coral as much.
    mu = -np.log(tube(60.0)(0.9)) / 0.9
    assert coral_attenuation_cm2_g(kev, strontium_frac=0.008) == pytest.approx(mu, rel=0.03)
    assert sd < 1.0


def test_aluminium_alone_does_not_tell_the_energy_where_the_contrast_is_unknown():
    signal = tube(60.0, material="aluminium")(ALUMINIUM_G_CM2) ** 0.3
    curve = calibrate(samples_of(ALUMINIUM_G_CM2, signal, materials=["aluminium"] * 6), values="optical-density")
    (flag,) = curve.flags([0.8])
    assert flag.code == "energy-assumed"
    assert "standards of one material do not tell it" in flag.detail
    # What the energy may be off by is in the error: a quarter of 36 keV moves the likeness of aluminium by some 5 %.
    error = curve.areal_density_g_cm2(tube(60.0)(0.8) ** 0.3, 0.0) - 0.8
    assert 0.01 < curve.areal_density_sd_g_cm2(0.8) < 0.06
    assert abs(error) < 2 * curve.areal_density_sd_g_cm2(0.8)


def test_a_step_of_aragonite_beside_aluminium_tells_the_energy_whatever_the_contrast():
    areal = np.append(ALUMINIUM_G_CM2, [0.293, 0.879, 1.465])
    signal = np.append(tube(60.0, material="aluminium")(ALUMINIUM_G_CM2), tube(60.0)(areal[6:])) ** 0.3
    curve = calibrate(samples_of(areal, signal, materials=["aluminium"] * 6 + ["aragonite"] * 3), values="optical-density")
    (flag,) = curve.flags([0.8])
    assert flag.code == "energy-fitted"
    assert curve.areal_density_g_cm2(tube(60.0)(0.8) ** 0.3, 0.0) == pytest.approx(0.8, abs=0.008)
    assert curve.areal_density_sd_g_cm2(0.8) < 0.02


def test_stated_energy_is_taken_and_not_flagged():
    signal = tube(60.0, material="aluminium")(ALUMINIUM_G_CM2) ** 0.3
    mu = float(-np.log(tube(60.0)(0.8)) / 0.8)
    kev = np.interp(-mu, -coral_attenuation_cm2_g(np.arange(25.0, 60.0), strontium_frac=0.008), np.arange(25.0, 60.0))
    curve = calibrate(samples_of(ALUMINIUM_G_CM2, signal, materials=["aluminium"] * 6), values="optical-density",
                      effective_kev=float(kev))
    assert curve.flags([0.8]) == ()
    assert curve.areal_density_g_cm2(tube(60.0)(0.8) ** 0.3, 0.0) == pytest.approx(0.8, abs=0.012)


@pytest.mark.parametrize(("material", "lighter"), [("aragonite", 0.0), ("clam", 0.065), ("calcite", 0.08)])
def test_standards_with_less_strontium_make_the_coral_lighter(material, lighter):
    # Read as if it were of coral, the same picture gives a density that is 6 to 8 % too high.
    signal = tube(60.0)(STEPS_G_CM2)
    naive = calibrate(samples_of(STEPS_G_CM2, signal))
    knowing = calibrate(samples_of(STEPS_G_CM2, signal, materials=[material] * 6))
    ratio = knowing.areal_density_g_cm2(signal[2], 0.0) / naive.areal_density_g_cm2(signal[2], 0.0)
    assert 1 - ratio == pytest.approx(lighter, abs=0.012)


def test_strontium_of_the_coral_is_a_setting():
    signal = tube(60.0, material="calcite")(STEPS_G_CM2)
    curves = [calibrate(samples_of(STEPS_G_CM2, signal, materials=["calcite"] * 6), strontium_wt_pct=pct) for pct in (0.0, 0.8)]
    pure, coral = (float(c.areal_density_g_cm2(signal[2], 0.0)) for c in curves)
    assert pure == pytest.approx(STEPS_G_CM2[2], rel=0.004)
    assert coral < 0.94 * pure


# ---------------------------------------------------------------- film

FILM = Response(form="film", unit=FULL_SCALE, contrast=3.4, toe=0.7, shoulder=0.7, span=(0.8, 2.9))


def test_curved_response_is_met_between_the_steps():
    def film(areal, beam=1.0):
        return FILM.signal(np.log(beam * tube(60.0)(areal)) + FILM.log_exposure(FULL_SCALE * (1 - np.exp(-2.8))))

    start = Response(form="film", unit=FULL_SCALE, contrast=1.2)
    open_beam = float(film(0.0))
    standards = samples_of(STEPS_G_CM2, film(STEPS_G_CM2), sd=5.0)
    curve = calibrate(dataclasses.replace(standards, log_beam=np.full(6, float(start.log_exposure(open_beam)))), start=start)
    slab = np.linspace(0.4, 1.5, 12)
    measured = curve.areal_density_g_cm2(film(slab), float(start.log_exposure(open_beam)))
    np.testing.assert_allclose(measured, slab, atol=0.012)
    assert [flag.code for flag in curve.flags(slab)] == ["response-curved"]


@given(form=st.sampled_from(["power", "film"]), toe=st.floats(-1.0, 0.9), shoulder=st.floats(-1.0, 0.9),
       contrast=st.floats(0.05, 5.0), at=st.floats(-1.5, 0.5))
def test_response_rises_and_is_undone_exactly(form, toe, shoulder, contrast, at):
    response = Response(form=form, unit=100.0, contrast=contrast, toe=toe, shoulder=shoulder, span=(-1.0, 0.0))
    here = float(response.logarithm(response.signal(at)))
    assert response.log_exposure(response.signal(at)) == pytest.approx(at, rel=1e-6, abs=1e-7)
    if here > -13 and (form == "power" or here < 13):
        assert response.signal(at) < response.signal(at + 0.01)


# ---------------------------------------------------------------- slab

def test_density_is_mass_per_area_over_thickness():
    assert slab_density_g_cm3([0.65, 1.3], 6.5).tolist() == pytest.approx([1.0, 2.0])
    assert thickness_sd_frac(6.5, 0.13) == pytest.approx(0.02)
    assert thickness_sd_frac(6.5, None) == 0.0
    with pytest.raises(errors.CalibrationError, match="slab_thickness_mm: 0 is not a thickness"):
        slab_density_g_cm3(1.0, 0.0)


def radiograph(seed=1, *, offset=0.03, through=arrived, photons=20000.0, height=1000, width=640):
    """Grey values (dense dark) of a slab with annual bands, its true density, and its steps."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width].astype(float)
    along = 0.7 * y / height + 0.3 * x / width
    beam = (1 - 0.2 * (0.4 * along + 0.6 * along**2)) * (1 + ((x - 320) ** 2 + (y - 500) ** 2) * 4e-8) ** -1.5
    density = 1.3 + 0.15 * np.sin(2 * np.pi * y / 110)
    grain = 1 + 0.1 * np.kron(rng.standard_normal((height // 4, width // 4)), np.ones((4, 4)))
    slab = (x > 100) & (x < 420) & (y > 60) & (y < 940)
    mass = np.where(slab, 0.65 * density * grain, 0.0)
    boxes = [(500, 60 + 60 * i, 550, 110 + 60 * i) for i in range(6)]
    for areal, (x0, y0, x1, y1) in zip(STEPS_G_CM2, boxes, strict=True):
        mass[y0:y1, x0:x1] = areal
    mass[500:900, 600:610] = 8.0
    # The curve is looked up: a spectrum for every pixel would take minutes.
    nodes = np.linspace(0.0, 8.0, 4001)
    left = beam * np.interp(mass, nodes, through(nodes))
    left += np.sqrt(left / photons) * rng.standard_normal(left.shape)
    return np.rint(50000 * (left + offset)), density, slab, boxes, grain


def measure(grey, boxes, *, dense, flatten=True):
    """Density over the whole image, as a measurement would take it."""
    intensity = transmitted_intensity(grey, dense=dense, values="intensity", full_scale=FULL_SCALE)
    samples = find_open_beam(intensity, 1.0, exclude_boxes_px=boxes)
    beam = fit_beam(samples.x_px, samples.y_px, samples.intensity, shape=grey.shape)
    if not flatten:
        beam = even_beam(float(np.quantile(intensity, 0.999)), shape=grey.shape)
    patches = [measure_patch(intensity[y0 + 5:y1 - 5, x0 + 5:x1 - 5]) for x0, y0, x1, y1 in boxes]
    centres = [((x0 + x1 - 1) / 2, (y0 + y1 - 1) / 2) for x0, y0, x1, y1 in boxes]
    standards = standard_samples(patches, centres, STEPS_G_CM2, [f"aragonite {i + 1} mm" for i in range(6)], beam)
    curve = calibrate(standards)
    y, x = np.mgrid[:grey.shape[0], :grey.shape[1]]
    return slab_density_g_cm3(curve.areal_density_g_cm2(intensity, beam.log_intensity(x, y)), 6.5), curve


def row_errors(density, true, slab, grain):
    """Error of density averaged over the slab's width, row by row."""
    inside = slab[100:900, 110:410]
    assert inside.all()
    window = np.s_[100:900, 110:410]
    return (density[window] - (true * grain)[window]).mean(axis=1)


@pytest.mark.parametrize(("offset", "through"), [
    (0.0, arrived), (0.03, arrived), (0.0, tube(50.0)), (0.03, tube(60.0)), (0.03, tube(70.0))])
def test_density_of_a_slab_under_a_heel_effect(offset, through):
    grey, true, slab, boxes, grain = radiograph(offset=offset, through=through)
    density, curve = measure(grey, boxes, dense="dark")
    error = row_errors(density, true, slab, grain)
    assert abs(error.mean()) < 0.005
    assert np.sqrt(np.mean(error**2)) < 0.01
    assert "calibration-poor" not in {f.code for f in curve.flags(density[slab] * 0.65)}


def test_polarity_does_not_matter():
    grey, _, _, boxes, _ = radiograph()
    dark, _ = measure(grey, boxes, dense="dark")
    bright, _ = measure(FULL_SCALE - grey, boxes, dense="bright")
    np.testing.assert_allclose(bright, dark, atol=1e-9)


def test_told_the_wrong_polarity_it_refuses():
    grey, _, _, boxes, _ = radiograph()
    with pytest.raises(errors.CalibrationError, match=r"image\.dense is likely the wrong way round"):
        measure(grey, boxes, dense="bright")


def test_skipping_the_beam_costs_what_physics_says():
    # A fall of 20 % along the slab is ln(1 / 0.8) / (0.88 x 0.65) = 0.39 g/cm3 from end to end, less what the
    # slab does not span; the flattened slab keeps within 0.01.
    grey, true, slab, boxes, grain = radiograph()
    error = row_errors(measure(grey, boxes, dense="dark", flatten=False)[0], true, slab, grain)
    y = np.arange(100, 900)
    along = 0.7 * y[:, None] / 1000 + 0.3 * np.arange(110, 410) / 640
    fall = np.log((1 - 0.2 * (0.4 * along + 0.6 * along**2)).mean(axis=1))
    expected = -(fall - fall[:100].mean()) / (0.88 * 0.65)
    assert error[-100:].mean() - error[:100].mean() == pytest.approx(expected[-100:].mean(), rel=0.35)
    assert error[-100:].mean() - error[:100].mean() > 0.1
