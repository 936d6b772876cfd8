"""From grey or colour to the signal that carries the bands: exact numbers on small arrays."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.carrier import (
    BoxPixels,
    Brightness,
    Luminescence,
    Radiography,
    brightness_of,
    guess_dense,
    measured_standards,
    patch_of,
    standard_areal_g_cm2,
)
from bandkit.density import (
    ObliquePath,
    View,
    calibrate,
    coral_attenuation_cm2_g,
    even_beam,
    expose,
    measure_patch,
    patch_samples,
    standard_samples,
)
from bandkit.errors import CalibrationError
from bandkit.record import DensitySpec, StandardSpec

SIZE = (400, 300)
FULL = 65535.0
NOWHERE = np.zeros((2, 2))


def radiography(dense="dark", values="intensity", *, open_beam=50000.0, calibration=None):
    return Radiography(dense=dense, values=values, full_scale=FULL, calibration=calibration, flags=(),
                       beam=even_beam(open_beam, shape=SIZE[::-1], known=True))


def view(signal, step_px=1.0, **more):
    return View(signal=signal, step_px=step_px, size_px=SIZE, full_scale=FULL, values="intensity", **more)


def carrier_of(seen):
    exposed = expose(seen, None)
    return Radiography(dense="dark", values="intensity", full_scale=FULL, calibration=None, flags=(), beam=exposed.beam,
                       response=exposed.response, veil=exposed.veil)


# ---- radiographs ----

def test_attenuation_is_the_logarithm_of_beam_over_intensity():
    grey = 50000.0 * np.exp([[0.0, 0.25], [0.5, 1.0]])**-1
    signal = radiography().signal(grey, NOWHERE, NOWHERE)
    np.testing.assert_allclose(signal, [[0.0, 0.25], [0.5, 1.0]], atol=1e-12)


def test_polarity_does_not_matter():
    grey = np.array([[50000.0, 30000.0], [20000.0, 10000.0]])
    dark = radiography("dark").signal(grey, NOWHERE, NOWHERE)
    bright = radiography("bright").signal(FULL - grey, NOWHERE, NOWHERE)
    np.testing.assert_allclose(bright, dark, atol=1e-12)


@given(st.floats(0.2, 1.3))
def test_exposure_does_not_matter(factor):
    grey = np.array([[50000.0, 30000.0], [20000.0, 10000.0]])
    plain = radiography().signal(grey, NOWHERE, NOWHERE)
    other = radiography(open_beam=50000.0 * factor).signal(factor * grey, NOWHERE, NOWHERE)
    np.testing.assert_allclose(other, plain, atol=1e-12)


def test_nothing_arriving_is_a_large_number_and_unknown_stays_unknown():
    signal = radiography().signal(np.array([[0.0, np.nan]]), NOWHERE[:1], NOWHERE[:1])
    assert signal[0, 0] == pytest.approx(np.log(1e5))
    assert np.isnan(signal[0, 1])


def test_uneven_beam_is_taken_out():
    x, y = np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))
    fall = np.exp(-0.0005 * x - 0.0003 * y)
    signal = carrier_of(view(40000.0 * fall)).signal(40000.0 * fall * np.exp(-0.7), x, y)
    np.testing.assert_allclose(signal, 0.7, atol=0.005)


def test_presence_of_a_radiograph_is_its_signal():
    signal = np.array([[0.0, 1.0]])
    assert radiography().presence(np.zeros((1, 2)), signal) is signal


def test_what_a_radiograph_says_of_itself():
    assert radiography().unit == "attenuation (natural logarithm)"
    assert any("no density was derived" in sentence for sentence in radiography().methods)


# ---- standards ----

MU = float(coral_attenuation_cm2_g(40.0, strontium_frac=0.008))


def standards(*thicknesses_mm, material="aragonite", density=2.93):
    return tuple(StandardSpec(box_px=(10.0 + 30 * k, 10.0, 30.0 + 30 * k, 30.0), material=material, thickness_mm=t,
                              density_g_cm3=density) for k, t in enumerate(thicknesses_mm))


def patches(specs, beam=50000.0, mu=MU, offset=0.0):
    return [measure_patch(np.full((20, 20), offset + beam * np.exp(-mu * s.thickness_mm * s.density_g_cm3 / 10)))
            for s in specs]


def spec_of(specs, kev=40.0):
    return DensitySpec(slab_thickness_mm=6.5, standards=specs, effective_kev=kev)


def calibrated(specs, beam, **more):
    """The curve through standards as a record states them."""
    stated = measured_standards(spec_of(specs), patches(specs, **more), ObliquePath())
    samples = standard_samples(stated.patches, stated.centres_px, stated.areal_g_cm2, stated.labels, beam,
                               materials=stated.materials)
    return calibrate(samples, effective_kev=stated.effective_kev)


def test_three_steps_give_mass_per_area():
    specs = standards(1.0, 3.0, 5.0)
    beam = even_beam(50000.0, shape=SIZE[::-1], known=True)
    curve = calibrated(specs, beam)
    carrier = radiography(calibration=curve)
    areal = np.array([[0.3, 0.6], [0.9, 1.4]])
    signal = carrier.signal(50000.0 * np.exp(-MU * areal), NOWHERE, NOWHERE)
    np.testing.assert_allclose(signal, areal, rtol=0.01)
    assert carrier.unit == "mass per area (g/cm2)"
    assert any("3 standards" in sentence for sentence in carrier.methods)
    assert curve.standards.labels == ("aragonite 1 mm", "aragonite 3 mm", "aragonite 5 mm")


def test_constant_offset_is_absorbed_by_the_standards():
    specs = standards(1.0, 2.0, 4.0, 6.0, 8.0)
    beam = even_beam(52000.0, shape=SIZE[::-1], known=True)
    curve = calibrated(specs, beam, offset=2000.0)
    areal = np.array([[0.4, 0.8], [1.2, 2.0]])
    signal = radiography(calibration=curve, open_beam=52000.0).signal(2000.0 + 50000.0 * np.exp(-MU * areal), NOWHERE, NOWHERE)
    np.testing.assert_allclose(signal, areal, rtol=0.02)


def test_mass_of_a_standard_is_thickness_times_density():
    assert standard_areal_g_cm2(standards(4.0)[0]) == pytest.approx(0.4 * 2.93)
    own = StandardSpec(box_px=(0, 0, 9, 9), material="aragonite", thickness_mm=4.0, density_g_cm3=None)
    assert standard_areal_g_cm2(own) == pytest.approx(0.4 * 2.93)
    formula = StandardSpec(box_px=(0, 0, 9, 9), material="C5H8O2", thickness_mm=4.0, density_g_cm3=None)
    with pytest.raises(CalibrationError, match="density_g_cm3: 'C5H8O2' has no one density; give it with the standard"):
        standard_areal_g_cm2(formula)


def test_standards_carry_their_material_and_strontium():
    specs = (*standards(4.0), *standards(2.0, material="aluminium", density=2.70),
             StandardSpec(box_px=(0, 0, 9, 9), material="aragonite", thickness_mm=1.0, strontium_wt_pct=0.1))
    stated = measured_standards(DensitySpec(standards=specs, strontium_wt_pct=0.7), patches(standards(1, 2, 3)), ObliquePath())
    assert [m.name for m in stated.materials] == ["aragonite", "aluminium", "aragonite"]
    assert [m.is_coral for m in stated.materials] == [True, False, False]
    assert stated.materials[2].shares["Sr"] == pytest.approx(0.001)
    assert stated.strontium_wt_pct == 0.7
    assert measured_standards(spec_of(specs), patches(standards(1, 2, 3)), ObliquePath()).strontium_wt_pct == 0.8


def test_oblique_rays_run_longer_through_standards_and_slab():
    # 45 degrees at 1000 px from the foot, 1000 px below the source: the path is 1.414 times as long.
    path = ObliquePath(foot_px=(20.0 - 1000.0, 20.0), source_to_detector_px=1000.0)
    stated = measured_standards(spec_of(standards(4.0)), patches(standards(4.0)), path)
    assert stated.areal_g_cm2[0] == pytest.approx(0.4 * 2.93 * np.sqrt(2))
    specs = standards(1.0, 3.0, 5.0)
    curve = calibrated(specs, even_beam(50000.0, shape=SIZE[::-1], known=True))
    at = np.array([[20.0]])
    grey = np.array([[50000.0 * np.exp(-MU * 0.9)]])
    square, oblique = (replace(radiography(calibration=curve), path=p).signal(grey, at, at)[0, 0] for p in (ObliquePath(), path))
    assert square / oblique == pytest.approx(np.sqrt(2))


def test_patch_is_the_mean_intensity_of_its_box():
    grey = np.array([[100, 200], [300, 400]], dtype=np.uint16)
    box = BoxPixels(box_px=(5.0, 5.0, 7.0, 7.0), grey=grey, x0_px=5, y0_px=5)
    assert patch_of(box, dense="dark", values="intensity", full_scale=FULL).intensity == pytest.approx(250.0)
    assert patch_of(box, dense="bright", values="intensity", full_scale=FULL).intensity == pytest.approx(FULL - 250.0)


def test_patch_without_numbers_is_refused():
    box = BoxPixels(box_px=(5.0, 5.0, 7.0, 7.0), grey=np.full((2, 2), np.nan), x0_px=5, y0_px=5)
    with pytest.raises(CalibrationError, match=r"density\.standards: box_px = \[5\.0, 5\.0, 7\.0, 7\.0\] holds no numbers; move it"):
        patch_of(box, dense="dark", values="intensity", full_scale=FULL)


# ---- beam ----

def test_beam_from_marked_patches():
    rng = np.random.default_rng(0)
    marked = []
    for x0, y0 in ((0, 0), (360, 0), (0, 260), (360, 260), (180, 0), (180, 260)):
        x = x0 + np.arange(40.0)[None, :]
        marked.append(patch_samples(30000.0 * np.exp(-0.001 * x) * (1 + 0.001 * rng.normal(size=(40, 40))), x0, y0))
    # The reduced image shows something else altogether: marked patches win.
    exposed = expose(view(np.full((30, 40), 100.0), 10.0, open_beam=tuple(marked)), None)
    x, y = np.array([20.0, 200.0, 380.0]), np.array([150.0, 20.0, 280.0])
    signal = exposed.response.signal(exposed.beam.log_intensity(x, y))
    np.testing.assert_allclose(np.log(signal), np.log(30000.0) - 0.001 * x, atol=0.01)


def test_slab_that_fills_the_picture_leaves_an_even_beam():
    rng = np.random.default_rng(1)
    intensity = 1000.0 * np.exp(-rng.uniform(0.2, 0.9, (60, 80)))
    exposed = expose(view(intensity, 5.0), None)
    level = exposed.beam.log_intensity(np.array([3.0, 300.0]), np.array([2.0, 200.0]))
    np.testing.assert_allclose(exposed.response.signal(level), np.quantile(intensity, 0.999))


# ---- polarity ----

def track_picture(outside, inside):
    """Beam above row 30, slab below, and a track down the middle."""
    picture = np.full((100, 60), float(outside))
    picture[30:] = inside
    return picture


@pytest.mark.parametrize(("outside", "inside", "dense"), [(200, 90, "dark"), (20, 150, "bright")])
@pytest.mark.parametrize("step_px", [1, 4])
def test_polarity_from_the_way_in(outside, inside, dense, step_px):
    track = [(30.0 * step_px, 5.0 * step_px), (30.0 * step_px, 95.0 * step_px)]
    assert guess_dense(track_picture(outside, inside), step_px, [track]) == dense


@pytest.mark.parametrize(("outside", "odd", "dense"), [(200, 10, "dark"), (10, 200, "bright")])
def test_polarity_by_most_tracks(outside, odd, dense):
    # One of three begins on a label.
    picture = track_picture(outside, 90)
    picture[:30, 50:] = odd
    tracks = [[(x, 5.0), (x, 95.0)] for x in (10.0, 20.0, 55.0)]
    assert guess_dense(picture, 1, tracks) == dense


def test_polarity_of_a_bent_track_looks_at_all_of_it():
    picture = track_picture(200, 90)
    assert guess_dense(picture, 1, [[(5.0, 2.0), (30.0, 40.0), (55.0, 95.0)]]) == "dark"


# ---- colour ----

def test_luminescence_is_green_over_blue_in_linear_light():
    # sRGB code 188 is half the light of 255, near enough (IEC 61966-2-1).
    strip = np.full((2, 2, 3), [10.0, 188.0, 255.0])
    carrier = Luminescence(full_scale=255.0)
    np.testing.assert_allclose(carrier.signal(strip, NOWHERE, NOWHERE), 0.5, atol=0.005)
    assert carrier.unit == "luminescence index (green over blue)"
    assert "Grove et al. 2010" in carrier.methods[0]


def test_brightness_is_linear_light():
    strip = np.array([[[255.0] * 3, [188.0] * 3]])
    np.testing.assert_allclose(brightness_of(strip, 255.0), [[1.0, 0.5]], atol=0.005)
    carrier = Brightness(full_scale=255.0)
    signal = carrier.signal(strip, NOWHERE, NOWHERE)
    np.testing.assert_array_equal(signal, brightness_of(strip, 255.0))
    assert carrier.presence(strip, signal) is signal
    assert carrier.methods == ()


def test_brightness_of_greys_is_the_grey():
    grey = np.array([[3.0, np.nan]])
    np.testing.assert_array_equal(brightness_of(grey, 255.0), grey)


def test_presence_under_ultraviolet_light_is_brightness():
    strip = np.array([[[0.0] * 3, [255.0] * 3]])
    presence = Luminescence(full_scale=255.0).presence(strip, np.full((1, 2), 2.0))
    np.testing.assert_allclose(presence, [[0.0, 1.0]])
