"""The forward model of a radiograph, turned round by hand."""

import json
from dataclasses import replace

import numpy as np
import pytest

from bandkit.simulate import (
    BeamDesign,
    GrowthDesign,
    RadiographDesign,
    SlabDesign,
    random_design,
    simulate_radiograph,
)
from bandkit.simulate.beam import FULL_SCALE, beam_profile, expose

# Everything that is known exactly: no noise, no blur, even beam, parallel rays.
IDEAL_BEAM = BeamDesign(heel_frac=0.0, source_to_detector_mm=1e9, photons_per_px=np.inf, blur_px=0.0, offset_frac=0.0,
                        open_frac=1.0, bits=16, dense="dark")
SMOOTH_SLAB = SlabDesign(texture_frac=0.0, wedge_frac=0.0, bump_mm=0.0, tilt_deg=0.0, radius_mm=1e5, width_mm=30.0)
SHORT = GrowthDesign(years=8.0, extension_mm_yr=10.0)
IDEAL = RadiographDesign(growth=SHORT, slab=SMOOTH_SLAB, beam=IDEAL_BEAM, standards_mm=(1.0, 4.0))


def exposed(mass, beam=IDEAL_BEAM, blocked=0.0, seed=0, mm_per_px=0.1):
    mass = np.asarray(mass, dtype=np.float32)
    cover = np.full(mass.shape, blocked, dtype=np.float32)
    return expose(mass, cover, beam, mm_per_px=mm_per_px, rng=np.random.default_rng(seed))


def mass_of(slab, design):
    """Invert the ideal exposure."""
    return -np.log(slab.image / FULL_SCALE) / design.beam.attenuation_cm2_g


def test_transmission_of_a_slab_at_60_kev():
    # exp(-mu m) of 7 mm of 1.30 g/cm3 with CaCO3 0.3759 cm2/g (Hubbell & Seltzer 1995, NISTIR 5632): 0.7103.
    grey = exposed(np.full((4, 5), 1.30 * 0.7), replace(IDEAL_BEAM, effective_kev=60.0))
    assert grey / FULL_SCALE == pytest.approx(0.7103, abs=3e-4)


def test_beam_falls_with_the_third_power_of_the_cosine():
    # 150 mm off the centre at 1000 mm: 0.9672 (geometry); the path there is longer by 1 / cos.
    intensity, path = beam_profile(replace(IDEAL_BEAM, source_to_detector_mm=1000.0), (300, 2), 1.0)
    assert intensity[0, 1] == pytest.approx(0.9672, abs=2e-4)
    assert path[0, 1] == pytest.approx(np.hypot(150, 1000) / 1000, abs=1e-5)


@pytest.mark.parametrize(("axis", "corner"), [("x", (0, -1)), ("y", (-1, 0))])
def test_heel_takes_its_share_towards_the_anode(axis, corner):
    intensity, _ = beam_profile(replace(IDEAL_BEAM, heel_frac=0.15, heel_axis=axis), (400, 400), 0.1)
    assert intensity[0, 0] == 1.0
    assert intensity[corner] == pytest.approx(0.85, abs=0.001)


def test_dense_bright_is_full_scale_minus_intensity():
    mass = np.linspace(0, 2, 50)[None, :]
    assert np.array_equal(exposed(mass, replace(IDEAL_BEAM, dense="bright")), FULL_SCALE - exposed(mass))


def test_offset_and_open_beam_set_the_ends_of_the_grey_range():
    beam = replace(IDEAL_BEAM, offset_frac=0.1, open_frac=0.8)
    assert exposed(np.zeros((1, 1)), beam)[0, 0] == round(0.9 * FULL_SCALE)
    assert exposed(np.full((1, 1), 100.0), beam)[0, 0] == round(0.1 * FULL_SCALE)


def test_counting_noise_has_the_variance_of_the_count():
    beam = replace(IDEAL_BEAM, photons_per_px=10_000.0, open_frac=0.5)
    arrived = exposed(np.full((300, 300), np.log(2) / beam.attenuation_cm2_g), beam) / FULL_SCALE / 0.5
    assert arrived.mean() == pytest.approx(0.5, abs=1e-3)
    assert arrived.var() * 10_000 == pytest.approx(0.5, rel=0.03)


def test_fewer_bits_give_coarser_greys():
    grey = exposed(np.linspace(0, 2, 5000)[None, :], replace(IDEAL_BEAM, bits=12))
    assert set(np.unique(grey % 16)) == {0}
    assert 3000 < np.unique(grey).size <= 4096


def test_lead_stops_the_beam():
    assert exposed(np.zeros((1, 1)), blocked=1.0)[0, 0] < 0.005 * FULL_SCALE
    assert exposed(np.zeros((1, 1)), blocked=0.5)[0, 0] == pytest.approx(0.5 * FULL_SCALE, rel=0.01)


def test_image_gives_back_density_profile_and_marks():
    slab = simulate_radiograph(IDEAL, 5)
    track, p = slab.truth.tracks[0], slab.truth.mm_per_px
    x, y = track.surface_px
    rows = np.arange(int(y) + 10, int(y) + 700)
    density = mass_of(slab, IDEAL)[rows, round(x)] / (0.1 * IDEAL.slab.thickness_mm)
    depth = (rows - y) * p
    assert density == pytest.approx(np.interp(depth, track.profile_depth_mm, track.profile_density_g_cm3), abs=0.01)
    for mark in track.mark_depth_mm[(track.mark_depth_mm > 6) & (track.mark_depth_mm < 65)]:
        near = np.abs(depth - mark) < 2.5
        assert depth[near][np.argmax(density[near])] == pytest.approx(mark, abs=0.2)


def test_years_lie_between_their_marks_and_sum_to_the_whole():
    track = simulate_radiograph(IDEAL, 5).truth.tracks[0]
    assert np.array_equal(track.start_mm, track.mark_depth_mm[:-1])
    assert np.array_equal(track.end_mm, track.mark_depth_mm[1:])
    assert track.year.tolist() == track.mark_year[:-1].tolist()
    # Flat bands square to the track: extension is the distance between marks.
    assert track.extension_mm_yr.sum() == pytest.approx(np.ptp(track.mark_depth_mm), abs=0.02)
    assert track.calcification_g_cm2_yr == pytest.approx(track.extension_mm_yr / 10 * track.density_g_cm3, abs=1e-12)
    assert track.density_g_cm3.mean() == pytest.approx(SHORT.density_g_cm3, rel=0.06)


@pytest.mark.parametrize(("angle_deg", "too_much_percent"), [(10, 1.54), (20, 6.42)])
def test_an_oblique_track_reads_too_long_by_the_cosine(angle_deg, too_much_percent):
    # E / cos(a): geometry.
    slab = replace(SMOOTH_SLAB, track_tilt_deg=float(angle_deg), width_mm=80.0)
    track = simulate_radiograph(replace(IDEAL, slab=slab), 5).truth.tracks[0]
    apparent = np.diff(track.mark_depth_mm) / track.extension_mm_yr
    assert 100 * (apparent - 1) == pytest.approx(too_much_percent, abs=0.15)


def test_bar_ends_are_where_the_truth_says():
    slab = simulate_radiograph(replace(IDEAL, beam=replace(IDEAL_BEAM, blur_px=0.7)), 8)
    x0, y0, x1, y1 = slab.truth.bar_px
    assert np.hypot(x1 - x0, y1 - y0) * slab.truth.mm_per_px == pytest.approx(50.0)
    middle = round(0.5 * (x0 + x1))
    # The lead's share of the pixels along one column near the bar's axis adds up to its length.
    dark = 1 - slab.image[:, middle].astype(float) / FULL_SCALE
    dark[round(y1) + 20:] = 0
    length_px = 50.0 / slab.truth.mm_per_px
    assert dark.sum() / 0.998 == pytest.approx(length_px**2 / (y1 - y0), abs=0.3)


def test_standards_carry_their_mass_per_area():
    design = replace(IDEAL, standards_mm=(1.0, 2.0, 5.0))
    slab = simulate_radiograph(design, 3)
    boxes = [line for line in slab.record_text.splitlines() if "box_px" in line]
    assert len(boxes) == 3
    for line, thickness in zip(boxes, design.standards_mm, strict=True):
        x0, y0, x1, y1 = json.loads(line[line.index("["):line.index("]") + 1])
        assert mass_of(slab, design)[y0:y1, x0:x1] == pytest.approx(0.293 * thickness, rel=2e-3)


def test_texture_has_the_strength_of_the_design():
    growth = replace(SHORT, cycle_frac=0.0, density_cv_frac=0.0)
    design = replace(IDEAL, slab=replace(SMOOTH_SLAB, texture_frac=0.1), growth=growth)
    mass = mass_of(simulate_radiograph(design, 2), design)
    core = mass[300:850, 150:390]
    assert core.std() / core.mean() == pytest.approx(0.1, rel=0.15)


def test_borings_take_mass_out():
    design = replace(IDEAL, slab=replace(SMOOTH_SLAB, borings=6))
    bored, sound = mass_of(simulate_radiograph(design, 4), design), mass_of(simulate_radiograph(IDEAL, 4), IDEAL)
    core = np.s_[200:800, 160:380]
    assert bored[core].min() < 0.8 * sound[core].min()
    assert np.median(bored[core]) == pytest.approx(np.median(sound[core]), rel=0.05)


def test_same_seed_same_slab():
    design = replace(random_design("ordinary", 1), growth=SHORT)
    first, again, other = (simulate_radiograph(design, seed) for seed in (1, 1, 2))
    assert np.array_equal(first.image, again.image)
    assert first.record_text == again.record_text
    assert first.truth.to_json() == again.truth.to_json()
    assert not np.array_equal(first.truth.tracks[0].mark_depth_mm, other.truth.tracks[0].mark_depth_mm)


@pytest.mark.parametrize("grade", ["easy", "ordinary", "hard"])
def test_random_designs_stay_in_their_grade(grade):
    cycle, texture = {"easy": (0.20, 0.05), "ordinary": (0.15, 0.10), "hard": (0.09, 0.14)}[grade]
    designs = [random_design(grade, seed) for seed in range(40)]
    for d in designs:
        assert (d.growth.cycle_frac, d.slab.texture_frac) == (cycle, texture)
        assert 3.5 <= d.growth.extension_mm_yr <= 18
        assert 12 <= d.growth.years <= 30
        assert 0.085 <= d.slab.mm_per_px <= 0.1
        assert 0.1 <= d.beam.heel_frac <= 0.2
        assert 5 <= len(d.standards_mm) <= 8
    assert {d.beam.dense for d in designs} == {"bright", "dark"}
    assert random_design(grade, 3) == random_design(grade, 3)
    assert random_design(grade, 3) != random_design(grade, 4)


def test_track_starts_outside_and_stays_in_the_image():
    for seed in range(3):
        design = random_design("hard", seed)
        slab = simulate_radiograph(design, seed)
        track = slab.truth.tracks[0]
        assert track.points_px[0][1] < track.surface_px[1]
        for x, y in track.points_px:
            assert 0 <= x < slab.image.shape[1]
            assert 0 <= y < slab.image.shape[0]
        assert track.mark_depth_mm.size >= design.growth.years - 2
