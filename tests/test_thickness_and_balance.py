"""A wedge-shaped slab through the whole job: by one thickness, by points, by a map; and on the balance."""

import json
import re

import numpy as np
import pytest
import tifffile
from wedge_slab import DENSITY_G_CM3, make_wedge_slab

import bandkit
from bandkit.batch.slab import measure_slab
from bandkit.errors import CalibrationError, RecordError

AT_THE_MIDDLE = 7.5 - 0.012 * 52.5
ONE_VALUE = f"slab_thickness_mm = {AT_THE_MIDDLE:.3f}\nslab_thickness_sd_mm = 0.05"


@pytest.fixture(scope="module")
def slab(tmp_path_factory):
    return make_wedge_slab(tmp_path_factory.mktemp("wedge"))


@pytest.fixture(scope="module")
def by_one_value(slab):
    return bandkit.measure(slab.record(ONE_VALUE))


@pytest.fixture(scope="module")
def by_points(slab):
    return bandkit.measure(slab.record(f"thickness_points = [{slab.points()}]"))


def densities(result):
    whole = result.growth.complete == "yes"
    return result.growth.density_g_cm3[whole]


def codes(result):
    return {flag.code for flag in result.flags}


def test_one_thickness_turns_a_wedge_into_a_drift_and_says_that_it_may(by_one_value):
    density = densities(by_one_value)
    # Thinner by 0.5 mm at the oldest year than at the middle: 7 %.
    assert density[0] - density[-1] > 0.12
    assert "thickness-or-drift" in codes(by_one_value)
    assert any("taken to be 6.87 mm thick everywhere" in sentence for sentence in by_one_value.methods)


@pytest.mark.parametrize("way", ["points", "map"])
def test_points_and_maps_take_the_wedge_out(slab, by_points, way):
    result = by_points
    if way == "map":
        microns = np.rint(1000 * slab.thickness_mm[2::5, 2::5]).astype(np.uint16)
        tifffile.imwrite(slab.folder / "TB-81_thickness.tif", microns)
        result = bandkit.measure(
            slab.record('thickness_map = { file = "TB-81_thickness.tif", mm_per_grey = 0.001 }\nslab_thickness_sd_mm = 0.02'))
        assert len(result.provenance["thickness_map_sha256"]) == 64
    density = densities(result)
    assert len(density) >= 8
    assert np.abs(density - DENSITY_G_CM3).max() < 0.03
    assert np.polyfit(np.arange(len(density)), density, 1)[0] == pytest.approx(0, abs=0.002)
    assert not {"thickness-or-drift", "thickness-extrapolated", "no-thickness"} & codes(result)


def test_points_that_leave_half_of_the_track_out(slab):
    three = slab.points().split(", {")[:3]
    result = bandkit.measure(slab.record("thickness_points = [" + ", {".join(three) + "]"))
    (flag,) = [flag for flag in result.flags if flag.code == "thickness-extrapolated"]
    assert flag.track == "A"
    assert "outside the points" in flag.detail
    growth = result.growth
    whole = np.flatnonzero(growth.complete == "yes")
    # A wedge of 1 % over 90 mm is 13 % of the thickness there.
    assert growth.density_thickness_sd_g_cm3[whole[-1]] > 5 * growth.density_thickness_sd_g_cm3[whole[0]]


def test_every_year_has_its_budget(by_one_value):
    growth = by_one_value.growth
    whole = growth.complete == "yes"
    sources = ("calibration", "beam", "thickness", "noise", "track", "picking")
    parts = {source: getattr(growth, f"density_{source}_sd_g_cm3")[whole] for source in sources}
    np.testing.assert_allclose(np.linalg.norm(list(parts.values()), axis=0), growth.density_sd_g_cm3[whole])
    np.testing.assert_allclose(np.linalg.norm([parts[s] for s in sources[:3]], axis=0), growth.density_systematic_sd_g_cm3[whole])
    # The error of thickness goes one to one into density.
    np.testing.assert_allclose(parts["thickness"], 0.05 / AT_THE_MIDDLE * growth.density_g_cm3[whole], rtol=1e-4)
    budget = {row["source"]: row for row in by_one_value.budget.rows()}
    assert sum(row["year_share_frac"] for row in budget.values()) == pytest.approx(1)
    assert budget["thickness"]["year_sd_g_cm3"] == pytest.approx(np.median(parts["thickness"]))
    assert np.ptp(parts["thickness"]) > 0.0005
    assert sum(row["mean_share_frac"] for row in budget.values()) == pytest.approx(1)
    assert budget["thickness"]["mean_sd_g_cm3"] == pytest.approx(budget["thickness"]["year_sd_g_cm3"], rel=0.1)
    assert budget["track"]["mean_sd_g_cm3"] == pytest.approx(budget["track"]["year_sd_g_cm3"] / np.sqrt(whole.sum()), rel=0.2)


def weighed(slab, *, factor=1.0, more=""):
    return f"[bulk]\ndry_g = {factor * slab.mass_g:.3f}\nvolume_cm3 = {slab.volume_cm3:.3f}\nvolume_sd_cm3 = 0.2\n{more}"


def test_balance_and_image_agree_on_the_whole_slab(slab):
    result = bandkit.measure(
        slab.record(f"thickness_points = [{slab.points()}]", more=weighed(slab, more="micro_density_g_cm3 = 2.80\n")))
    bulk = result.bulk
    assert bulk.piece == "slab"
    assert bulk.weighed_g_cm3 == pytest.approx(slab.mean_density_g_cm3, abs=1e-4)
    assert bulk.image_g_cm3 == pytest.approx(slab.mean_density_g_cm3, abs=0.012)
    assert abs(bulk.z_score) < 2
    assert bulk.image_porosity_frac == pytest.approx(1 - bulk.image_g_cm3 / 2.80)
    assert "bulk-density-disagrees" not in codes(result)
    folder = result.write(slab.folder / "out")
    kept = json.loads((folder / "result.json").read_text())["bulk"]
    assert kept["z_score"] == pytest.approx(bulk.z_score)
    page = (folder / "report.html").read_text()
    assert "Density on the balance" in page
    assert "What density is off by" in page
    assert re.search("2.80 ± 0.0[45] g/cm³, stated", page)


def test_a_boring_is_part_of_the_volume_that_a_coat_encloses(tmp_path):
    bored = make_wedge_slab(tmp_path, hole_mm=7.0)
    bulk = bandkit.measure(bored.record(f"thickness_points = [{bored.points()}]", more=weighed(bored))).bulk
    assert bored.mean_density_g_cm3 < DENSITY_G_CM3 - 0.03
    assert bulk.image_g_cm3 == pytest.approx(bored.mean_density_g_cm3, abs=0.012)


def test_a_balance_that_disagrees_is_flagged(slab):
    result = bandkit.measure(slab.record(f"thickness_points = [{slab.points()}]", more=weighed(slab, factor=1.1)))
    assert result.bulk.z_score < -2
    (flag,) = [flag for flag in result.flags if flag.code == "bulk-density-disagrees"]
    assert "balance 1.4" in flag.detail


@pytest.mark.parametrize(("piece", "more"), [
    ("track A", 'track = "A"'), ("piece", "polygon_px = [[100, 150], [250, 150], [250, 550], [100, 550]]")])
def test_part_of_the_slab_is_held_against_that_part(slab, piece, more):
    result = bandkit.measure(slab.record(f"thickness_points = [{slab.points()}]", more=weighed(slab, more=f"{more}\n")))
    assert result.bulk.piece == piece
    assert result.bulk.image_g_cm3 == pytest.approx(DENSITY_G_CM3, abs=0.02)


def test_nothing_to_compare_without_a_thickness(slab):
    result = bandkit.measure(slab.record("effective_kev = 45.0", more=weighed(slab)))
    assert np.isnan(result.bulk.image_g_cm3)
    assert {"bulk-not-compared", "no-thickness"} <= codes(result)
    assert not len(result.budget)


def test_weights_that_cannot_be_are_an_error_with_the_record(slab):
    with pytest.raises(CalibrationError, match=r"TB-81.toml: bulk: 12\d\.\d\d g/cm3 is not below the density of the solid"):
        bandkit.measure(slab.record(ONE_VALUE, more=weighed(slab, factor=100)))


def test_a_map_that_is_not_there(slab):
    match = r'TB-81.toml: density.thickness_map.file = "nothing.tif": no such file in .*; write its place relative to the record'
    with pytest.raises(RecordError, match=match):
        bandkit.measure(slab.record('thickness_map = { file = "nothing.tif", mm_per_grey = 0.001 }'))


def test_a_map_that_changed_makes_the_slab_be_measured_again(slab, tmp_path):
    microns = np.rint(1000 * slab.thickness_mm[2::5, 2::5]).astype(np.uint16)
    tifffile.imwrite(slab.folder / "TB-81_again.tif", microns)
    record = slab.record('thickness_map = { file = "TB-81_again.tif", mm_per_grey = 0.001 }')
    assert not measure_slab(record, tmp_path).unchanged
    assert measure_slab(record, tmp_path).unchanged
    tifffile.imwrite(slab.folder / "TB-81_again.tif", microns + 100)
    assert not measure_slab(record, tmp_path).unchanged


def test_settings_and_methods_say_how_thick_the_slab_was_taken_to_be(by_points):
    thickness = [sentence for sentence in by_points.methods if "9 points" in sentence]
    assert len(thickness) == 1
    beam = next(i for i, sentence in enumerate(by_points.methods) if "open beam" in sentence)
    assert beam < by_points.methods.index(thickness[0]) < len(by_points.methods) - 2
