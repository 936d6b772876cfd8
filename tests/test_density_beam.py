"""The open beam: fitted, found, and honest where it is not supported."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.density import even_beam, find_open_beam, fit_beam, join_samples, patch_samples

HEIGHT, WIDTH = 900, 600
LEVEL = 40000.0


def heel(height=HEIGHT, width=WIDTH, *, loss=0.2, angle=0.6, mm_per_px=0.2, distance_mm=1000.0):
    """Open beam with a heel effect along an oblique axis and cos^3 fall-off."""
    y, x = np.mgrid[:height, :width].astype(float)
    along = (y * np.cos(angle) + x * np.sin(angle)) / (height * np.cos(angle) + width * np.sin(angle))
    r2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) * mm_per_px**2
    return (1 - loss * (0.4 * along + 0.6 * along**2)) * (1 + r2 / distance_mm**2) ** -1.5


def picture(*, loss=0.2, seed=0, photons=20000.0, texture=0.1):
    """Intensity behind a slab, six steps and a lead bar, and where the slab is."""
    rng = np.random.default_rng(seed)
    beam = heel(loss=loss)
    mass = np.zeros_like(beam)
    slab = np.zeros(beam.shape, bool)
    slab[80:840, 110:400] = True
    depth = np.arange(HEIGHT)[:, None] * np.ones(WIDTH)
    grain = np.kron(rng.standard_normal((HEIGHT // 4, WIDTH // 4)), np.ones((4, 4)))
    mass[slab] = (0.85 * (1 + 0.1 * np.sin(depth / 10) + texture * grain))[slab]
    boxes = [(480, 60 + 60 * i, 530, 110 + 60 * i) for i in range(6)]
    for i, (x0, y0, x1, y1) in enumerate(boxes):
        mass[y0:y1, x0:x1] = 0.293 * (i + 1)
    mass[500:800, 560:570] = 8.0
    through = beam * np.exp(-0.88 * mass)
    noisy = through + np.sqrt(through / photons) * rng.standard_normal(beam.shape)
    return LEVEL * noisy, LEVEL * beam, slab, boxes


def worst_error(beam, true, slab):
    """Largest error of the logarithm of the beam over the slab."""
    y, x = np.nonzero(slab)
    return float(np.max(np.abs(beam.log_intensity(x, y) - np.log(true[slab]))))


def test_surface_of_third_order_is_met_exactly_by_samples_all_over():
    y, x = np.mgrid[0:100:5, 0:100:5].astype(float)
    u, v = (x - 49.5) / 50, (y - 49.5) / 50
    log = 8 + 0.05 * u - 0.04 * v + 0.02 * u * v - 0.03 * v**2
    beam = fit_beam(x, y, np.exp(log), shape=(100, 100))
    # The priors pull by less than 1e-4.
    np.testing.assert_allclose(beam.log_intensity(x, y), log, atol=1e-4)
    assert beam.residual_frac < 0.001
    assert beam.flags(x, y) == ()


@settings(deadline=None, max_examples=25)
@given(factor=st.floats(1e-3, 1e3), loss=st.floats(0, 0.3))
def test_exposure_shifts_the_surface_and_nothing_else(factor, loss):
    true = heel(100, 80, loss=loss)
    y, x = np.mgrid[0:100:4, 0:80:4]
    one = fit_beam(x, y, true[y, x], shape=true.shape)
    other = fit_beam(x, y, factor * true[y, x], shape=true.shape)
    np.testing.assert_allclose(other.log_intensity(x, y) - one.log_intensity(x, y), np.log(factor), atol=1e-6)


def test_samples_on_the_slab_or_a_label_are_outvoted():
    true = heel()
    y, x = (a.ravel() for a in np.mgrid[10:900:12, 10:600:12])
    values = true[y, x]
    clean = fit_beam(x, y, values, shape=true.shape)
    on_slab, on_label = (x > 250) & (x < 330) & (y > 200) & (y < 500), (x < 60) & (y < 60)
    bad = fit_beam(x, y, np.where(on_slab, 0.5 * values, np.where(on_label, 1.5 * values, values)), shape=true.shape)
    np.testing.assert_allclose(bad.log_intensity(x, y), clean.log_intensity(x, y), atol=0.003)


def test_four_patches_at_the_corners_carry_the_slab_between():
    intensity, true, slab, _ = picture()
    corners = [(10, 10), (540, 10), (10, 840), (540, 840)]
    samples = join_samples([patch_samples(intensity[y:y + 45, x:x + 45], x, y) for x, y in corners])
    beam = fit_beam(samples.x_px, samples.y_px, samples.intensity, shape=true.shape)
    error = worst_error(beam, true, slab)
    y, x = np.nonzero(slab)
    assert error < 3 * beam.log_sd(x, y).max()
    assert error < 0.05


def test_patch_samples_are_at_the_middle_of_their_parts():
    samples = patch_samples(np.arange(16.0).reshape(4, 4), 100, 50, cells=2)
    assert samples.x_px.tolist() == [100.5, 102.5, 100.5, 102.5]
    assert samples.y_px.tolist() == [50.5, 50.5, 52.5, 52.5]
    assert samples.intensity.tolist() == [2.5, 4.5, 10.5, 12.5]


def test_one_patch_in_a_corner_is_flagged_and_says_what_it_costs():
    intensity, true, slab, _ = picture()
    samples = patch_samples(intensity[10:50, 10:50], 10, 10)
    beam = fit_beam(samples.x_px, samples.y_px, samples.intensity, shape=true.shape)
    y, x = (a[::500] for a in np.nonzero(slab))
    (flag,) = beam.flags(x, y)
    assert flag.code == "beam-not-supported"
    assert "g/cm3" in flag.detail
    # The error that it makes is within what it admits.
    assert worst_error(beam, true, slab) < 2 * beam.log_sd(x, y).max()


def test_no_open_beam_is_flagged_and_what_is_common_with_the_standards_cancels():
    beam = fit_beam([], [], [], shape=(900, 600))
    (flag,) = beam.flags([300], [450])
    assert flag.code == "beam-not-corrected"
    assert beam.log_sd(300, 450, relative_to_px=(300, 450)) == pytest.approx(0.0, abs=1e-9)
    near, far = beam.log_sd([310, 550], [450, 450], relative_to_px=(300, 450))
    assert 0 < near < far < beam.log_sd(550, 450)


def test_even_beam_of_ct_has_no_doubt():
    beam = even_beam(1.0, shape=(50, 50), known=True)
    assert np.all(beam.log_intensity([0, 49], [0, 49]) == 0)
    assert beam.flags([0, 49], [0, 49]) == ()
    assert beam.method == ""


@pytest.mark.parametrize(("loss", "photons"), [(0.0, 20000.0), (0.2, 20000.0), (0.3, 20000.0), (0.2, 500.0)])
def test_background_is_found_and_gives_the_beam_over_the_slab(loss, photons):
    intensity, true, slab, boxes = picture(loss=loss, photons=photons)
    samples = find_open_beam(intensity, 1.0, exclude_boxes_px=boxes)
    beam = fit_beam(samples.x_px, samples.y_px, samples.intensity, shape=true.shape)
    assert 500 < len(samples) <= 4000
    # 0.004 of intensity is 0.007 g/cm3 on a slab of 7 mm at 40 keV.
    assert worst_error(beam, true, slab) < 0.004
    y, x = (a[::500] for a in np.nonzero(slab))
    assert beam.flags(x, y) == ()


def test_no_sample_lies_on_slab_steps_or_bar():
    intensity, true, _, _ = picture()
    samples = find_open_beam(intensity, 1.0)
    at = (np.rint(samples.y_px).astype(int), np.rint(samples.x_px).astype(int))
    assert np.all(intensity[at] > 0.95 * true[at])


def test_boxes_are_left_out_with_a_margin():
    samples = find_open_beam(LEVEL * heel(), 1.0, exclude_boxes_px=[(300, 400, 200, 100)])
    inside = (samples.x_px > 198) & (samples.x_px < 302) & (samples.y_px > 98) & (samples.y_px < 402)
    assert len(samples) > 0
    assert not inside.any()


@pytest.mark.parametrize("border", [0.0, 65535.0])
def test_collimated_or_painted_border_and_label_do_not_mislead(border):
    intensity, true, slab, boxes = picture()
    intensity[:50] = border
    intensity[:, :40] = border
    intensity[870:, 420:590] = 65535.0
    samples = find_open_beam(intensity, 1.0, exclude_boxes_px=boxes)
    beam = fit_beam(samples.x_px, samples.y_px, samples.intensity, shape=true.shape)
    assert worst_error(beam, true, slab) < 0.006


@pytest.mark.parametrize("view", [np.s_[100:800, 130:390], np.s_[300:600, 150:350]])
def test_slab_that_fills_the_image_is_not_taken_for_open_beam(view):
    intensity, _, _, _ = picture()
    assert len(find_open_beam(intensity[view], 1.0)) == 0


@pytest.mark.parametrize("values", [np.zeros((300, 200)), np.full((300, 200), np.nan), np.ones((1, 1)),
                                    np.random.default_rng(0).lognormal(size=(300, 200))])
def test_images_without_anything_give_no_samples(values):
    assert len(find_open_beam(values, 1.0)) <= 1


def test_step_of_the_reduced_image_places_the_samples():
    full = LEVEL * heel(800, 600)
    halved = full.reshape(400, 2, 300, 2).mean(axis=(1, 3))
    samples = find_open_beam(halved, 2.0)
    rows, cols = np.rint(samples.y_px).astype(int), np.rint(samples.x_px).astype(int)
    np.testing.assert_allclose(samples.intensity, full[rows, cols], rtol=0.002)


def test_finding_is_quick():
    intensity = np.kron(picture()[0], np.ones((2, 2), np.float32)).astype(np.float32)[:1600, :1200]
    find_open_beam(intensity, 1.0)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        find_open_beam(intensity, 1.0)
        times.append(time.perf_counter() - start)
    # About 0.05 s alone; a generous limit for a busy machine.
    assert min(times) < 0.5
