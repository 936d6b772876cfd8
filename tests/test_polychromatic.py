"""Density by `bandkit.measure` of radiographs made photon energy by photon energy, which know nothing of this package."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from generators.polychromatic import (
    CORAL_STRONTIUM,
    MM_PER_PX,
    Exposure,
    Tube,
    attenuation_cm2_g,
    carbonate,
    make_radiograph,
)

from bandkit.density import coral_attenuation_cm2_g, even_beam, mass_attenuation_cm2_g, radiograph
from bandkit.images import open_image
from bandkit.pipeline import measure
from bandkit.propose import propose

SEEDS = (0, 1, 2)
# What the density of the track's own strip is off by, between bounds that are taken as found.
SOURCES = ("calibration", "beam", "thickness", "noise")


@dataclass(frozen=True, eq=False)
class Years:
    """Errors of density per whole year, and what the result says of itself."""

    error: np.ndarray
    sd: np.ndarray
    start_mm: np.ndarray
    flags: dict
    calibration: object

    @property
    def rmse(self) -> float:
        return float(np.sqrt(np.mean(self.error**2)))


def years(folder, exposure, seed=0, *, more="", alter=None):
    """Measure one radiograph from its files."""
    slab = make_radiograph(exposure, seed)
    if alter is not None:
        slab = replace(slab, image=alter(slab.image))
    result = measure(slab.write(folder, more=more))
    growth = result.growth
    whole = np.flatnonzero((growth.complete == "yes") & np.isfinite(growth.density_g_cm3))
    assert len(whole) > 3
    true = np.array([slab.mean_density(growth.start_mm[k], growth.end_mm[k]) for k in whole])
    sd = np.sqrt(sum(getattr(growth, f"density_{source}_sd_g_cm3")[whole] ** 2 for source in SOURCES))
    return Years(growth.density_g_cm3[whole] - true, sd, growth.start_mm[whole],
                 {flag.code: flag.detail for flag in result.flags}, result.calibration)


EXACT = Exposure(thickness_sd_mm=0.0, step_error_frac=0.0)


# ---- the generator itself ----

def test_generator_and_package_mean_the_same_coral():
    kev = np.array([20.0, 36.0, 50.0])
    np.testing.assert_allclose(attenuation_cm2_g(carbonate(CORAL_STRONTIUM), kev),
                               coral_attenuation_cm2_g(kev, strontium_frac=CORAL_STRONTIUM), rtol=0.01)
    np.testing.assert_allclose(attenuation_cm2_g({"Al": 1.0}, kev), mass_attenuation_cm2_g("aluminium", kev), rtol=0.01)


def test_generated_beam_hardens_and_matches_between_energies():
    tube = Tube.make(60.0, 2.5, "plate")
    assert 33 < tube.mean_kev < 42
    attenuation = tube.attenuation(carbonate(0.008), np.linspace(0, 1.5, 16))
    assert np.all(np.diff(attenuation, 2) < 0)


# ---- every kind of grey, by steps of aragonite ----

@pytest.mark.parametrize(("response", "most"), [
    ("linear", 0.018), ("inverted", 0.018), ("optical density", 0.03),
    pytest.param("natural log", 0.03, marks=pytest.mark.slow)])
def test_steps_of_aragonite_give_the_density(tmp_path, response, most):
    found = years(tmp_path, replace(EXACT, response=response))
    assert found.rmse < most
    assert np.mean(np.abs(found.error) < 1.645 * found.sd) > 0.8
    assert not {"calibration-poor", "beam-not-supported", "outside-standards", "saturated"} & set(found.flags)


@pytest.mark.slow
@pytest.mark.parametrize("response", ["film density", "film"])
def test_film_is_handled_by_the_same_steps(tmp_path, response):
    # Where the beam is unlike that at the steps, toe and shoulder are told less well, and the error says so.
    found = [years(tmp_path, replace(EXACT, response=response), seed) for seed in SEEDS]
    error, sd = (np.concatenate([getattr(one, name) for one in found]) for name in ("error", "sd"))
    assert np.sqrt(np.mean(error**2)) < 0.05
    assert np.mean(np.abs(error) < 2 * sd) > 0.6
    assert all(("response-curved" in one.flags) == (response == "film") for one in found)


@pytest.mark.slow
def test_annual_density_of_several_slabs(tmp_path):
    # With 0.1 mm of error in the thickness, drawn anew for every slab, and 0.3 % in every step.
    for steps, most in (("aragonite", 0.025), ("aluminium", 0.04)):
        found = [years(tmp_path, Exposure(steps=(steps,), response=("linear", "inverted")[seed % 2]), seed) for seed in range(8)]
        error = np.concatenate([one.error for one in found])
        assert abs(error.mean()) < 0.01
        assert np.sqrt(np.mean(error**2)) < most
        covered = [np.mean(np.abs(one.error) <= 1.645 * one.sd) for one in found]
        assert np.mean(covered) > 0.7


# ---- other standards ----

@pytest.mark.parametrize("steps", ["aluminium", "clam"])
def test_energy_is_fitted_to_steps_of_another_material(tmp_path, steps):
    found = years(tmp_path, replace(EXACT, steps=(steps,)))
    assert found.rmse < 0.02
    assert "energy-fitted" in found.flags
    # A beam of 55 kVp in this one: its mean lies near 34 keV.
    assert found.calibration.parameters["effective_kev_fitted"] == pytest.approx(34.0, abs=2.0)


@pytest.mark.slow
def test_clam_taken_for_coral_is_too_dense_by_its_strontium(tmp_path):
    wrong = make_radiograph(replace(EXACT, steps=("clam",)), 0)
    record = wrong.write(tmp_path)
    record.write_text(record.read_text(encoding="utf-8").replace('"clam"', '"aragonite"'), encoding="utf-8")
    growth = measure(record).growth
    whole = growth.complete == "yes"
    true = np.array([wrong.mean_density(a, b) for a, b in zip(growth.start_mm[whole], growth.end_mm[whole], strict=True)])
    assert np.mean(growth.density_g_cm3[whole] / true) - 1 == pytest.approx(0.07, abs=0.015)
    # The standard's own strontium in the record mends it.
    record.write_text(record.read_text(encoding="utf-8").replace('"aragonite",', '"aragonite", strontium_wt_pct = 0.15,'),
                      encoding="utf-8")
    assert np.mean(measure(record).growth.density_g_cm3[whole] / true) - 1 == pytest.approx(0.0, abs=0.012)


def test_aluminium_alone_on_a_logarithmic_picture_says_that_the_energy_is_assumed(tmp_path):
    found = years(tmp_path, replace(EXACT, response="natural log", steps=("aluminium",)))
    assert "energy-assumed" in found.flags
    assert np.mean(np.abs(found.error) < 2 * found.sd) > 0.8
    assert found.sd.mean() > 0.03


# ---- the beam ----

def even_level(view, response):
    """The open beam taken as even, and as strong as where it is strongest."""
    strongest = float(np.exp(response.log_exposure(np.quantile(view.signal, 0.98))))
    return even_beam(strongest, shape=(view.size_px[1], view.size_px[0])), None


def test_skipping_the_beam_costs_what_physics_says(tmp_path, monkeypatch):
    """A heel of 20 %, of which the slab spans about four fifths: 0.05 to 0.18 g/cm3 at its end."""
    ends = {}
    for seed in (2,):
        flat = years(tmp_path, replace(EXACT, scatter_frac=0.0), seed)
        with monkeypatch.context() as patch:
            patch.setattr(radiograph, "_beam_and_veil", even_level)
            skipped = years(tmp_path, replace(EXACT, scatter_frac=0.0), seed)
        assert np.abs(flat.error).max() < 0.03
        ends[seed] = float(np.abs(skipped.error - np.median(skipped.error)).max() * 2)
        assert "beam-not-corrected" in skipped.flags
    assert 0.05 < max(ends.values()) < 0.35


@pytest.mark.slow
def test_bars_carry_the_beam_across_a_slab_that_fills_the_field(tmp_path):
    bare = years(tmp_path, replace(EXACT, crowded=True), 0)
    barred = years(tmp_path, replace(EXACT, crowded=True, bars=True), 0)
    assert {"beam-not-supported", "beam-not-corrected"} & set(bare.flags)
    assert not {"beam-not-supported", "beam-not-corrected"} & set(barred.flags)
    assert np.ptp(barred.error) < 0.5 * np.ptp(bare.error)
    assert barred.rmse < 0.02
    assert "uniform bars" in barred.calibration.beam_method
    assert barred.calibration.beam_residual_frac < 0.006


@pytest.mark.slow
def test_veil_is_taken_off_and_told(tmp_path):
    found = years(tmp_path, EXACT)
    assert found.calibration.parameters["veil_frac"] == pytest.approx(0.05 / 1.05, abs=0.02)
    assert "A veil of" in found.calibration.beam_method


# ---- doubts ----

@pytest.mark.slow
def test_slab_beyond_the_steps_is_flagged(tmp_path):
    slab = make_radiograph(EXACT, 0)
    few = replace(slab, standards=slab.standards[:4])
    result = measure(few.write(tmp_path))
    assert "outside-standards" in {flag.code for flag in result.flags}


def test_saturated_open_beam_and_thin_steps_are_flagged(tmp_path):
    slab = make_radiograph(EXACT, 0)
    longer = np.minimum(slab.image.astype(np.float64) * 2.0, 65535.0).astype(np.uint16)
    result = measure(replace(slab, image=longer).write(tmp_path))
    saturated = " and ".join(flag.detail for flag in result.flags if flag.code == "saturated")
    assert "aragonite 0.5 mm 100.0 %" in saturated
    assert "open beam, " in saturated
    assert "beam-not-corrected" in {flag.code for flag in result.flags}


def test_where_the_field_is_known():
    slab = make_radiograph(Exposure(), 4)
    assert slab.image.dtype == np.uint16
    assert slab.mean_density(0.0, slab.depth_mm[-1]) == pytest.approx(slab.density_g_cm3.mean(), rel=0.01)
    assert slab.depth_mm[1] - slab.depth_mm[0] == pytest.approx(MM_PER_PX)


# ---- what a new record is filled with ----

@pytest.mark.slow
@pytest.mark.parametrize("response", ["linear", "optical density"])
def test_rows_of_steps_of_two_materials_are_found(tmp_path, response):
    slab = make_radiograph(Exposure(response=response, steps=("aluminium", "aragonite")), 1)
    slab.write(tmp_path)
    with open_image(tmp_path / "TB-71.tif") as image:
        proposed = propose(image)
    assert proposed.dense.value == slab.dense
    found = {_step_of(box, slab.standards) for box in proposed.standards.value}
    assert found == set(range(12))


def _step_of(box, standards):
    """Number of the step that a box lies on; the generator's own boxes keep 12 px clear of the edges."""
    inside = [k for k, ((x0, y0, x1, y1), _, _) in enumerate(standards)
              if x0 - 12 <= box[0] < box[2] <= x1 + 12 and y0 - 12 <= box[1] < box[3] <= y1 + 12]
    return inside[0] if len(inside) == 1 else None
