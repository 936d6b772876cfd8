"""The whole job on small practice slabs: what comes out, against the truth, and against the same slab shown otherwise."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
import tifffile

import bandkit
from bandkit.errors import DetectionError, RecordError
from bandkit.flags import FLAG_MEANINGS
from bandkit.pipeline import measure
from bandkit.record import parse_record
from bandkit.record.model import GapSpec, MaskSpec, ReadingMark, ReadingSpec, ScaleSpec, StainSpec
from bandkit.simulate import (
    BeamDesign,
    GrowthDesign,
    LuminescenceDesign,
    PhotographDesign,
    RadiographDesign,
    SlabDesign,
    simulate_luminescence,
    simulate_photograph,
    simulate_radiograph,
)
from bandkit.simulate.write import write_simulated

# Dark where dense, with room above the open beam for a longer exposure.
DESIGN = RadiographDesign(
    specimen="TB-01", growth=GrowthDesign(years=7.0, extension_mm_yr=8.0, cycle_frac=0.2, tissue_mm=4.0),
    slab=SlabDesign(width_mm=34.0, mm_per_px=0.125, texture_frac=0.05), standards_mm=(1.0, 3.0, 5.0),
    beam=BeamDesign(dense="dark", open_frac=0.55))

GROWTH_COLUMNS = [
    "specimen", "track", "year", "year_start", "year_end", "start_mm", "end_mm", "extension_mm_yr",
    "extension_sd_mm_yr", "density_g_cm3", "density_sd_g_cm3", "calcification_g_cm2_yr",
    "calcification_sd_g_cm2_yr", "complete", "certainty", "flags"]
MARK_COLUMNS = [
    "specimen", "track", "mark", "year", "depth_mm", "depth_lo_mm", "depth_hi_mm", "probability", "x_px", "y_px",
    "certainty", "origin"]
STAIN_COLUMNS = [
    "specimen", "track", "stain_date", "dye", "found", "depth_mm", "depth_sd_mm", "x_px", "y_px", "interval_yr",
    "extension_mm_yr", "extension_sd_mm_yr", "confidence", "flags"]
TRACK_COLUMNS = [
    "specimen", "track", "length_mm", "mm_per_px", "surface_x_px", "surface_y_px", "years", "years_lo", "years_hi",
    "mean_extension_mm_yr", "mean_density_g_cm3", "mean_calcification_g_cm2_yr", "flags"]
PROFILE_COLUMNS = ["track", "depth_mm", "x_px", "y_px", "value", "density_g_cm3"]


class Practice:
    """A practice slab on disk and its record, which a test may change."""

    def __init__(self, slab, folder):
        self.truth = slab.truth
        self.image = slab.image
        self.folder = folder
        self.path = write_simulated(slab, folder)
        self.record = parse_record(self.path.read_text(), self.path)

    def with_image(self, image, name, **options):
        """The same record with another image, written as TIFF."""
        path = self.folder / name
        tifffile.imwrite(path, image, **options)
        return replace(self.record, image=replace(self.record.image, file=name, path=path))


@pytest.fixture(scope="module")
def slab(tmp_path_factory):
    return Practice(simulate_radiograph(DESIGN, 1), tmp_path_factory.mktemp("radiograph"))


@pytest.fixture(scope="module")
def truth(slab):
    return slab.truth.tracks[0]


@pytest.fixture(scope="module")
def result(slab):
    return measure(slab.path)


@pytest.fixture(scope="module")
def photograph(tmp_path_factory):
    design = PhotographDesign(
        specimen="TB-02", growth=GrowthDesign(years=5.0, extension_mm_yr=9.0),
        slab=SlabDesign(width_mm=34.0, mm_per_px=0.08, radius_mm=200.0), stained=(dt.date(2016, 6, 2), dt.date(2017, 6, 10)))
    return Practice(simulate_photograph(design, 3), tmp_path_factory.mktemp("photograph"))


@pytest.fixture(scope="module")
def stained(photograph):
    return measure(photograph.record)


def complete(result):
    """Columns of the whole years as a dictionary of arrays."""
    rows = result.growth.complete == "yes"
    return {name: getattr(result.growth, name)[rows] for name in result.growth.column_names()}


def codes(result):
    return {flag.code for flag in result.flags}


def assert_same_growth(one, two, *, mm, mm_yr, g_cm3):
    """Marks, extension and density agree."""
    assert len(one.marks) == len(two.marks)
    np.testing.assert_allclose(one.marks.depth_mm, two.marks.depth_mm, atol=mm)
    np.testing.assert_array_equal(one.marks.year, two.marks.year)
    np.testing.assert_array_equal(one.growth.complete, two.growth.complete)
    for name, tolerance in (("extension_mm_yr", mm_yr), ("density_g_cm3", g_cm3)):
        np.testing.assert_allclose(complete(one)[name], complete(two)[name], atol=tolerance)


# ---- against the truth ----

def test_every_year_is_found_and_dated(result, truth):
    assert len(result.marks) == len(truth.mark_depth_mm)
    np.testing.assert_allclose(result.marks.depth_mm, truth.mark_depth_mm, atol=0.12 * 8.0)
    np.testing.assert_array_equal(result.marks.year, truth.mark_year)
    np.testing.assert_array_equal(complete(result)["year"], truth.year)


def test_growth_is_near_the_truth(result, truth):
    whole = complete(result)
    np.testing.assert_allclose(whole["extension_mm_yr"], truth.extension_mm_yr, atol=1.0)
    assert whole["extension_mm_yr"].mean() == pytest.approx(truth.extension_mm_yr.mean(), rel=0.03)
    np.testing.assert_allclose(whole["density_g_cm3"], truth.density_g_cm3, atol=0.08)
    assert whole["density_g_cm3"].mean() == pytest.approx(truth.density_g_cm3.mean(), abs=0.03)
    assert whole["calcification_g_cm2_yr"].mean() == pytest.approx(truth.calcification_g_cm2_yr.mean(), rel=0.04)


def test_stated_errors_hold(result, truth):
    whole = complete(result)
    z = (whole["extension_mm_yr"] - truth.extension_mm_yr) / whole["extension_sd_mm_yr"]
    assert np.all(np.abs(z) < 4)
    assert np.all(whole["extension_sd_mm_yr"] < 0.15 * whole["extension_mm_yr"])
    assert np.all((whole["density_sd_g_cm3"] > 0.003) & (whole["density_sd_g_cm3"] < 0.06))


def test_surface_and_marks_lie_where_they_are_on_the_image(result, slab, truth):
    row = result.tracks.rows()[0]
    assert (row["surface_x_px"], row["surface_y_px"]) == pytest.approx(truth.surface_px, abs=0.2 / 0.125)
    mm_per_px = row["mm_per_px"]
    away = np.hypot(result.marks.x_px - row["surface_x_px"], result.marks.y_px - row["surface_y_px"]) * mm_per_px
    np.testing.assert_allclose(away, result.marks.depth_mm, atol=1e-6)
    # Every place lies on the drawn track.
    start, end = np.array(truth.points_px[0]), np.array(truth.points_px[-1])
    tx, ty = (end - start) / np.hypot(*(end - start))
    off = (result.marks.x_px - start[0]) * ty - (result.marks.y_px - start[1]) * tx
    np.testing.assert_allclose(off, 0.0, atol=0.05)


def test_no_two_marks_stand_on_one_band(tmp_path):
    design = replace(
        DESIGN, specimen="TB-05", growth=GrowthDesign(years=6.0, extension_mm_yr=9.0, density_g_cm3=1.55, cycle_frac=0.1, tissue_mm=4.0),
        slab=SlabDesign(width_mm=34.0, mm_per_px=0.125, texture_frac=0.02, tilt_deg=0.0, bump_mm=0.2),
        beam=BeamDesign(dense="dark"), standards_mm=(1.0, 2.0, 3.5, 5.0))
    young = Practice(simulate_radiograph(design, 11), tmp_path)
    marks = measure(young.record).marks.depth_mm
    assert np.diff(marks).min() > 0.3 * np.median(np.diff(marks))
    np.testing.assert_allclose(marks, young.truth.tracks[0].mark_depth_mm, atol=1.5)


# ---- tables ----

def test_columns_stand_in_the_order_that_scripts_rely_on(result):
    for name, columns in [("growth", GROWTH_COLUMNS), ("marks", MARK_COLUMNS), ("stains", STAIN_COLUMNS),
                          ("tracks", TRACK_COLUMNS), ("profile", PROFILE_COLUMNS)]:
        assert list(result.table(name).column_names())[:len(columns)] == columns


def test_calcification_is_extension_times_density(result):
    growth = result.growth
    known = np.isfinite(growth.calcification_g_cm2_yr)
    assert known.sum() >= 5
    product = growth.extension_mm_yr / 10 * growth.density_g_cm3
    np.testing.assert_allclose(growth.calcification_g_cm2_yr[known], product[known], rtol=0, atol=1e-9)


def test_pieces_follow_each_other_from_the_surface_to_the_end(result):
    growth, marks = result.growth, result.marks
    assert growth.start_mm[0] == 0.0
    np.testing.assert_array_equal(growth.start_mm[1:], growth.end_mm[:-1])
    np.testing.assert_array_equal(growth.end_mm[:-1], marks.depth_mm)
    assert growth.end_mm[-1] == pytest.approx(result.tracks.length_mm[0])
    assert growth.complete.tolist() == ["partial", *["yes"] * (len(marks) - 1), "partial"]
    np.testing.assert_array_equal(growth.year, [marks.year[0] + 1, *marks.year])
    np.testing.assert_allclose(growth.year_end[1:-1] - growth.year_start[1:-1], 1.0, atol=0.004)
    assert np.all(np.diff(growth.year[1:]) == -1)


def test_means_are_over_whole_years(result):
    whole, row = complete(result), result.tracks.rows()[0]
    assert row["mean_extension_mm_yr"] == pytest.approx(whole["extension_mm_yr"].mean())
    assert row["mean_calcification_g_cm2_yr"] == pytest.approx(whole["calcification_g_cm2_yr"].mean())
    assert row["years"] == len(whole["year"])
    assert row["years_lo"] <= row["years"] <= row["years_hi"]


def test_marks_have_ordered_intervals_and_probabilities(result):
    marks = result.marks
    assert marks.mark.tolist() == list(range(1, len(marks) + 1))
    assert np.all((marks.depth_lo_mm <= marks.depth_mm) & (marks.depth_mm <= marks.depth_hi_mm))
    assert np.all((marks.probability >= 0) & (marks.probability <= 1))
    assert set(marks.origin) == {"computed"}
    assert set(marks.certainty) <= {"certain", "doubtful"}


def test_profile_runs_from_the_surface_to_the_end(result):
    profile = result.profile
    assert profile.depth_mm[0] == pytest.approx(0.0, abs=0.13)
    assert profile.depth_mm[-1] == pytest.approx(result.tracks.length_mm[0])
    inner = (profile.depth_mm > 5) & (profile.depth_mm < 50)
    # Mass per area of 6.5 mm of skeleton.
    np.testing.assert_allclose(np.mean(profile.value[inner]), 0.65 * np.mean(profile.density_g_cm3[inner]), rtol=0.02)


def test_what_is_drawn(result):
    roles = [line.role for line in result.lines]
    assert roles == ["track", "surface", "strip", *["mark"] * len(result.marks)]
    labels = [line.label for line in result.lines if line.role == "mark"]
    assert labels == [f"{year:.0f}" for year in result.marks.year]
    for line, x, y in zip(result.lines[3:], result.marks.x_px, result.marks.y_px, strict=True):
        assert np.hypot(line.x_px - x, line.y_px - y).min() < 5
        assert np.ptp(line.x_px) > 150


def test_the_result_says_what_was_done_and_with_what(result, slab):
    text = " ".join(result.methods)
    assert "scale bar whose ends were given" in text
    assert "3 standards" in text
    assert "hidden semi-Markov" in text
    assert result.provenance["record"] == slab.path.name
    assert {len(result.provenance[key]) for key in ("image_sha256", "record_sha256")} == {64}
    assert result.image["kind"] == "radiograph"
    assert result.image["signal"] == "mass per area (g/cm2)"
    assert result.specimen["id"] == "TB-01"
    assert result.calibration is not None
    assert len(result.calibration.labels) == 3
    assert result.picture is not None
    assert result.picture.min() >= 0.0
    assert result.picture.max() <= 1.0
    assert len(result.chronologies["A"]) > 100


def test_easy_slab_raises_no_doubt_about_its_marks(result):
    assert not codes(result) & {"weak-bands", "spacing-ambiguous", "no-marks", "surface-doubtful", "steep-bands",
                                "calibration-poor", "density-implausible", "narrow-strip", "track-leaves-slab"}


def test_path_and_record_give_the_same(result, slab):
    again = measure(slab.record)
    for name in ("growth", "marks", "tracks", "profile"):
        for column in result.table(name).column_names():
            np.testing.assert_array_equal(getattr(again.table(name), column), getattr(result.table(name), column))


def test_measure_is_offered_by_the_package(result):
    assert bandkit.measure is measure


# ---- what the record says ----

def reading(truth, shift_mm=0.0, *, across_px=0.0, certainty=("certain",) * 6, reader="r1"):
    """A person's picks at the true marks, moved along the track and to its side."""
    return ReadingSpec(track="A", reader=reader, marks=tuple(
        ReadingMark(at_px=(x + across_px, y + shift_mm / 0.125), certainty=c)
        for x, y, c in zip(truth.mark_x_px, truth.mark_y_px, certainty, strict=True)))


def test_a_persons_marks_win(slab, truth):
    picks = reading(truth, 1.5, certainty=("certain", "doubtful", "certain", "inserted", "certain", "certain"))
    read = measure(replace(slab.record, readings=(reading(truth, reader="earlier"), picks)))
    np.testing.assert_allclose(read.marks.depth_mm, truth.mark_depth_mm + 1.5, atol=0.3)
    assert set(read.marks.origin) == {"r1"}
    assert read.marks.certainty.tolist() == ["certain", "doubtful", "certain", "inserted", "certain", "certain"]
    assert read.marks.probability.tolist() == [1.0, 0.5, 1.0, 1.0, 1.0, 1.0]
    assert "reading-used" in codes(read)
    assert "the annual marks are those of the reader r1" in " ".join(read.methods)
    # A doubtful mark is one mark or none.
    assert (read.tracks.years_lo[0], read.tracks.years_hi[0]) == (4, 5)
    assert read.growth.certainty.tolist() == [
        "certain", "doubtful", "doubtful", "inserted", "inserted", "certain", "certain"]


def test_picks_beside_the_track_are_carried_along_the_band(slab, result, truth):
    beside = measure(replace(slab.record, readings=(reading_on_bands(result, truth, 60.0),)))
    np.testing.assert_allclose(beside.marks.depth_mm, truth.mark_depth_mm, atol=0.6)


def reading_on_bands(result, truth, across_px):
    """Picks at the true bands to the side of the track: where the band that was drawn there runs."""
    lines = [line for line in result.lines if line.role == "mark"]
    picks = []
    for line, y in zip(lines, truth.mark_y_px, strict=True):
        x = float(truth.mark_x_px[0]) + across_px
        order = np.argsort(line.x_px)
        beside = np.interp([x, x - across_px], line.x_px[order], line.y_px[order])
        picks.append(ReadingMark(at_px=(x, float(y + beside[0] - beside[1])), certainty="certain"))
    return ReadingSpec(track="A", reader="r2", marks=tuple(picks))


def test_gap_makes_its_piece_partial_and_widens_what_is_behind(slab, result, truth):
    middle = 0.5 * (truth.mark_y_px[2] + truth.mark_y_px[3])
    x = float(truth.mark_x_px[0])
    gap = GapSpec(track="A", from_px=(x, middle - 6), to_px=(x, middle + 6), years=(0, 2))
    gapped = measure(replace(slab.record, gaps=(gap,)))
    assert len(gapped.marks) == len(result.marks)
    assert gapped.growth.complete.tolist() == ["partial", "yes", "yes", "partial", "yes", "yes", "partial"]
    assert "gap" in gapped.growth.flags[3].split()
    np.testing.assert_array_equal(gapped.marks.year_hi[:3], gapped.marks.year_lo[:3])
    np.testing.assert_array_equal(gapped.marks.year_hi[3:] - gapped.marks.year_lo[3:], 2)
    assert "gap" in codes(gapped)
    assert gapped.tracks.mean_extension_mm_yr[0] == pytest.approx(complete(gapped)["extension_mm_yr"].mean())


def test_masked_boring_counts_as_length_and_not_as_brightness(slab, result, truth):
    image = slab.image.copy()
    # 1 mm along the track in the middle of a year, 5 mm to either side.
    y, x = round(0.5 * (truth.mark_y_px[1] + truth.mark_y_px[2])), round(truth.mark_x_px[0])
    image[y - 4:y + 4, x - 40:x + 40] = 30000
    record = slab.with_image(image, "bored.tif")
    hole = MaskSpec(polygon_px=((x - 42, y - 6), (x + 42, y - 6), (x + 42, y + 6), (x - 42, y + 6)), why="boring")
    masked = measure(replace(record, masks=(hole,)))
    assert_same_growth(masked, result, mm=0.5, mm_yr=0.6, g_cm3=0.08)
    # The other years are the same; in this one a faint part is left out, so what remains is a little denser.
    np.testing.assert_allclose(np.delete(masked.growth.density_g_cm3, 2), np.delete(result.growth.density_g_cm3, 2), atol=0.01)
    assert 0.0 < masked.growth.density_g_cm3[2] - result.growth.density_g_cm3[2] < 0.08
    assert "masked-part" in masked.growth.flags[2].split()
    assert masked.growth.complete[2] == "yes"
    assert masked.growth.end_mm[2] - masked.growth.start_mm[2] == pytest.approx(
        result.growth.end_mm[2] - result.growth.start_mm[2], abs=0.6)


def test_without_a_mask_nothing_is_masked(result):
    assert "masked-part" not in codes(result)


@pytest.mark.parametrize("specimen", [{"top_alive": False}, {"collected": None, "top_alive": None}])
def test_floating_series_counts_years(slab, result, specimen):
    floating = measure(replace(slab.record, specimen=replace(slab.record.specimen, **specimen)))
    assert len(floating.marks) == len(result.marks)
    np.testing.assert_array_equal(floating.marks.year, np.arange(1, len(result.marks) + 1))
    assert codes(floating) & {"floating", "no-collection-date"}
    assert np.isnan(floating.growth.year_start).all()
    np.testing.assert_allclose(complete(floating)["extension_mm_yr"], complete(result)["extension_mm_yr"], atol=0.5)
    # The outermost piece has a length but nobody knows its time.
    assert np.isnan(floating.growth.extension_mm_yr[0])


def test_density_minimum_lies_between_the_maxima(slab, truth):
    least = measure(replace(slab.record, dating=replace(slab.record.dating, mark="density minimum", mark_date=(3, 1))))
    gaps = np.searchsorted(truth.mark_depth_mm, least.marks.depth_mm)
    inner = (gaps > 0) & (gaps < len(truth.mark_depth_mm))
    # One in each year, near its middle.
    assert gaps[inner].tolist() == list(range(1, len(truth.mark_depth_mm)))
    start, end = truth.mark_depth_mm[gaps[inner] - 1], truth.mark_depth_mm[gaps[inner]]
    phase = (least.marks.depth_mm[inner] - start) / (end - start)
    assert np.all((phase > 0.2) & (phase < 0.8))


def test_without_standards_there_is_extension_only(slab, result):
    bare = measure(replace(slab.record, density=None))
    assert len(bare.marks) == len(result.marks)
    np.testing.assert_allclose(bare.marks.depth_mm, result.marks.depth_mm, atol=0.3)
    np.testing.assert_allclose(complete(bare)["extension_mm_yr"], complete(result)["extension_mm_yr"], atol=0.4)
    assert np.isnan(bare.growth.density_g_cm3).all()
    assert np.isnan(bare.growth.calcification_g_cm2_yr).all()
    assert np.isnan(bare.profile.density_g_cm3).all()
    assert bare.calibration is None
    assert "no-standards" in codes(bare)
    assert "no density was derived" in " ".join(bare.methods)


def test_scale_in_the_record_or_in_the_files_tags(slab, result):
    stated = measure(replace(slab.record, scale=ScaleSpec(mm_per_px=(0.125, 0.125))))
    tagged = measure(replace(slab.record, scale=ScaleSpec(from_file=True)))
    assert "scale-from-file-tags" in codes(tagged)
    assert "scale-from-file-tags" not in codes(stated)
    assert tagged.scale["source"] == "file"
    assert tagged.scale["x_mm_px"] == pytest.approx(0.125, rel=1e-6)
    assert_same_growth(stated, tagged, mm=1e-3, mm_yr=1e-3, g_cm3=1e-3)
    assert_same_growth(stated, result, mm=0.1, mm_yr=0.1, g_cm3=0.01)


def test_two_tracks_are_measured_apart(slab, result):
    first = slab.record.tracks[0]
    second = replace(first, name="B", points_px=tuple((x + 40, y) for x, y in first.points_px))
    both = measure(replace(slab.record, tracks=(first, second)))
    assert both.tracks.track.tolist() == ["A", "B"]
    one = both.marks.track == "A"
    np.testing.assert_array_equal(both.marks.depth_mm[one], result.marks.depth_mm)
    assert np.sum(~one) == len(result.marks)
    assert set(both.profile.track) == {"A", "B"}
    # The same colony: the two agree.
    np.testing.assert_allclose(both.tracks.mean_extension_mm_yr[0], both.tracks.mean_extension_mm_yr[1], rtol=0.06)


def test_stain_picked_on_a_radiograph_is_used_and_others_are_not_seen(slab, result, truth):
    at = (float(truth.mark_x_px[0]), float(truth.mark_y_px[2]))
    stains = (StainSpec(date=dt.date(2016, 10, 1), dye="alizarin red S", at_px=at),
              StainSpec(date=dt.date(2017, 10, 1), dye="alizarin red S"))
    both = measure(replace(slab.record, stains=stains))
    assert both.stains.found.tolist() == ["yes", "no"]
    assert both.stains.depth_mm[0] == pytest.approx(truth.mark_depth_mm[2], abs=0.2)
    assert np.isnan(both.stains.depth_mm[1])
    assert both.stains.extension_mm_yr[0] == pytest.approx(both.stains.depth_mm[0] / both.stains.interval_yr[0])
    assert both.stains.flags.tolist() == ["stain-picked interval-not-whole", "stain-not-visible"]
    np.testing.assert_array_equal(both.growth.extension_mm_yr, result.growth.extension_mm_yr)


# ---- the same slab shown otherwise ----

def full_turn(slab):
    """The image turned clockwise by 90 degrees and the record turned with it."""
    height = slab.image.shape[0]
    record = slab.with_image(np.rot90(slab.image, -1), "turned.tif")

    def point(p):
        return height - 1 - p[1], p[0]

    def box(b):
        return height - b[3], b[0], height - b[1], b[2]

    bar = record.scale.bar
    return replace(
        record, scale=replace(record.scale, bar=replace(bar, from_px=point(bar.from_px), to_px=point(bar.to_px))),
        density=replace(record.density, standards=tuple(replace(s, box_px=box(s.box_px)) for s in record.density.standards)),
        tracks=tuple(replace(t, points_px=tuple(point(p) for p in t.points_px)) for t in record.tracks))


def test_turned_image_gives_the_same_growth(slab, result):
    assert_same_growth(measure(full_turn(slab)), result, mm=0.05, mm_yr=0.05, g_cm3=0.005)


def test_inverted_greys_give_the_same_density(slab, result):
    record = slab.with_image(65535 - slab.image, "inverted.tif")
    inverted = measure(replace(record, image=replace(record.image, dense="bright")))
    assert_same_growth(inverted, result, mm=1e-4, mm_yr=1e-4, g_cm3=1e-6)


def test_longer_exposure_gives_the_same_growth(slab, result):
    exposed = measure(slab.with_image(np.rint(slab.image * 1.5).astype(np.uint16), "exposed.tif"))
    assert_same_growth(exposed, result, mm=0.02, mm_yr=0.02, g_cm3=2e-3)


def test_padded_image_gives_the_same_growth(slab, result):
    record = slab.with_image(np.pad(slab.image, ((48, 0), (64, 0)), mode="reflect"), "padded.tif")
    by = np.array([64.0, 48.0])
    bar = record.scale.bar
    record = replace(
        record,
        scale=replace(record.scale, bar=replace(bar, from_px=tuple(by + bar.from_px), to_px=tuple(by + bar.to_px))),
        density=replace(record.density, standards=tuple(
            replace(s, box_px=tuple(np.add(s.box_px, [*by, *by]).tolist())) for s in record.density.standards)),
        tracks=tuple(replace(t, points_px=tuple(tuple(by + p) for p in t.points_px)) for t in record.tracks))
    assert_same_growth(measure(record), result, mm=0.05, mm_yr=0.05, g_cm3=0.01)


def test_track_drawn_with_more_points_gives_the_same(slab, result):
    (x0, y0), _, (x1, y1) = slab.record.tracks[0].points_px
    parts = np.linspace(0, 1, 12)
    points = tuple((float(x0 + t * (x1 - x0)), float(y0 + t * (y1 - y0))) for t in parts)
    drawn = measure(replace(slab.record, tracks=(replace(slab.record.tracks[0], points_px=points),)))
    assert_same_growth(drawn, result, mm=1e-4, mm_yr=1e-4, g_cm3=1e-5)


def test_radiograph_stored_in_colour_is_read_as_grey(slab, result):
    colour = measure(slab.with_image(np.repeat(slab.image[..., None], 3, axis=-1), "colour.tif", photometric="rgb"))
    assert colour.image["channels"] == 3
    assert_same_growth(colour, result, mm=1e-6, mm_yr=1e-6, g_cm3=1e-9)


@pytest.mark.parametrize("dense", ["dark", "bright"])
def test_polarity_is_inferred_aloud(slab, result, dense):
    image = slab.image if dense == "dark" else 65535 - slab.image
    record = slab.with_image(image, f"{dense}.tif")
    guessed = measure(replace(record, image=replace(record.image, dense=None)))
    assert guessed.image["dense"] == dense
    assert "dense-guessed" in codes(guessed)
    assert_same_growth(guessed, result, mm=1e-4, mm_yr=1e-4, g_cm3=1e-6)


@pytest.mark.parametrize("full_scale_od", [2, 4])
def test_optical_density_of_a_film(slab, result, full_scale_od):
    # Read by a densitometer over a fog of 0.2: grey is linear in -log10 of what arrived, without the detector's offset.
    arrived = np.clip((slab.image.astype(np.float64) / 65535 - DESIGN.beam.offset_frac) / DESIGN.beam.open_frac, 1e-4, None)
    grey = np.rint((0.2 - np.log10(arrived)) / full_scale_od * 65535).clip(0, 65535).astype(np.uint16)
    record = slab.with_image(grey, f"film{full_scale_od}.tif")
    film = measure(replace(record, image=replace(record.image, values="optical-density", dense="bright")))
    assert len(film.marks) == len(result.marks)
    np.testing.assert_allclose(film.marks.depth_mm, result.marks.depth_mm, atol=0.3)
    np.testing.assert_allclose(complete(film)["density_g_cm3"], complete(result)["density_g_cm3"], atol=0.03)


# ---- other kinds ----

def test_stain_lines_on_a_photograph(stained, photograph):
    truth = photograph.truth.tracks[0]
    assert stained.stains.found.tolist() == ["yes", "yes"]
    assert stained.stains.stain_date.tolist() == ["2016-06-02", "2017-06-10"]
    np.testing.assert_allclose(stained.stains.depth_mm, truth.stain_depth_mm, atol=0.25)
    np.testing.assert_allclose(stained.stains.interval_yr, [3.03, 2.01], atol=0.01)
    np.testing.assert_allclose(stained.stains.extension_mm_yr, stained.stains.depth_mm / stained.stains.interval_yr)
    assert np.all(stained.stains.confidence > 0.9)
    assert [line.label for line in stained.lines if line.role == "stain"] == ["2016-06-02", "2017-06-10"]


def test_photograph_without_annual_mark_has_stains_only(stained):
    assert len(stained.marks) == 0
    assert len(stained.growth) == 0
    assert stained.tracks.track.tolist() == ["A"]
    assert np.isnan(stained.tracks.years[0])
    assert stained.calibration is None
    assert len(stained.profile) > 100


def test_stain_that_is_not_there_is_a_result(photograph):
    # Clean skeleton from another photograph of the same scene.
    design = PhotographDesign(
        specimen="TB-03", growth=GrowthDesign(years=5.0, extension_mm_yr=9.0),
        slab=SlabDesign(width_mm=34.0, mm_per_px=0.08, radius_mm=200.0), stained=())
    clean = Practice(simulate_photograph(design, 4), photograph.folder)
    none = measure(replace(clean.record, stains=photograph.record.stains))
    assert none.stains.found.tolist() == ["no", "no"]
    assert np.isnan(none.stains.depth_mm).all()
    assert np.isnan(none.stains.extension_mm_yr).all()
    assert "stain-not-found" in codes(none)
    assert not any(line.role == "stain" for line in none.lines)


def test_luminescent_lines(tmp_path):
    design = LuminescenceDesign(
        specimen="TB-04", growth=GrowthDesign(years=7.0, extension_mm_yr=9.0), flood_cv_frac=0.25,
        slab=SlabDesign(width_mm=36.0, mm_per_px=0.12, texture_frac=0.06, radius_mm=220.0))
    river = Practice(simulate_luminescence(design, 2), tmp_path)
    lit = measure(river.record)
    truth = river.truth.tracks[0]
    assert len(lit.marks) == len(truth.mark_depth_mm)
    np.testing.assert_allclose(lit.marks.depth_mm, truth.mark_depth_mm, atol=1.0)
    np.testing.assert_array_equal(lit.marks.year, truth.mark_year)
    assert np.isnan(lit.growth.density_g_cm3).all()
    assert lit.calibration is None
    assert lit.image["signal"] == "luminescence index (green over blue)"


# ---- nothing to measure ----

def test_record_without_a_track(slab):
    with pytest.raises(RecordError, match=r"TB-01\.toml: track: none is given.*add \[\[track\]\]") as error:
        measure(replace(slab.record, tracks=()))
    assert error.value.reason == "no-track"


@pytest.mark.parametrize("level", [0, 700, 65535])
def test_blank_image(slab, level):
    record = slab.with_image(np.full((968, 576), level, dtype=np.uint16), "blank.tif")
    with pytest.raises(DetectionError, match=rf"blank\.tif: image\.file: the image is blank \({level} everywhere\); export") as error:
        measure(record)
    assert error.value.reason == "blank-image"
    assert error.value.exit_code == 4


def test_image_without_any_number(slab):
    record = slab.with_image(np.full((968, 576), np.nan, dtype=np.float32), "nan.tif")
    with pytest.raises(bandkit.errors.BandkitError, match=r"nan\.tif"):
        measure(record)


def test_track_across_nothing_but_beam(slab):
    beside = tuple((x, 20.0) for x in (20.0, 200.0, 380.0))
    record = replace(slab.record, tracks=(replace(slab.record.tracks[0], points_px=beside),))
    with pytest.raises(DetectionError, match=r"track\.A\.points_px: no skeleton lies under this track"):
        measure(record)


def test_track_outside_the_image(slab):
    record = replace(slab.record, tracks=(replace(slab.record.tracks[0], points_px=((10.0, 5.0), (10.0, 5000.0))),))
    with pytest.raises(RecordError, match=r"track.*lies outside the image of 576 x 968 px"):
        measure(record)


def test_every_flag_is_known_and_belongs_to_a_track_or_the_slab(result, stained):
    for flag in (*result.flags, *stained.flags):
        assert flag.code in FLAG_MEANINGS
        assert flag.track in {"", "A"}
    for cell in (*result.growth.flags, *result.marks.flags, *result.tracks.flags, *stained.stains.flags):
        assert set(cell.split()) <= set(FLAG_MEANINGS)
