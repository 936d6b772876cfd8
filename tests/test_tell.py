"""What was measured, put into tables, lines and sentences: numbers that can be followed by eye."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from plain_strips import record_of, strip_of
from plain_tracks import MARKS_MM, track_of

from bandkit.carrier import Brightness, Radiography
from bandkit.density import even_beam
from bandkit.flags import Flag
from bandkit.images import Overview
from bandkit.scale import Scale
from bandkit.staining import measure_stains
from bandkit.tell import tell
from bandkit.tracks import DEFAULT_WIDTH_MM

SCALE = Scale(x_mm_px=0.1, y_mm_px=0.1, sd_frac=0.002, source="bar")
IMAGE = SimpleNamespace(width_px=400, height_px=700, channels=1, bits=16, format="TIFF", notes=(Flag(code="eight-bit"),),
                        acquisition={}, full_scale=65535.0)
ATTENUATION = Radiography(dense="bright", values="intensity", full_scale=65535.0, calibration=None, flags=(),
                          beam=even_beam(5e4, shape=(700, 400), known=True))

STAIN = """
[[stain]]
date = 2016-06-15
dye = "alizarin red S"
at_px = [200, 350]
"""


def told(record=None, tracks=None, *, carrier=ATTENUATION, flags=(), overview=None, image=IMAGE, scale=SCALE, strip=None):
    """The result of a slab whose tracks are given."""
    record = record or record_of(kind="radiograph")
    tracks = [track_of(record)] if tracks is None else tracks
    strips = {track.spec.name: track.strip for track in tracks}
    stains = [measure_stains(record, spec, strip or strips.get(spec.name) or strip_of(), full_scale=65535.0)
              for spec in record.tracks]
    overview = overview or Overview(values=np.linspace(0, 1000, 70 * 40, dtype=np.float32).reshape(70, 40), step_px=10)
    return tell(record=record, image=image, overview=overview, scale=scale, carrier=carrier, tracks=tracks, stains=stains,
                flags=flags, hashes={"image_sha256": "ab" * 32, "record_sha256": "cd" * 32})


def test_mark_table_by_hand():
    rows = told().marks.rows()
    assert [row["mark"] for row in rows] == [1, 2, 3, 4, 5]
    assert [row["year"] for row in rows] == [2019, 2018, 2017, 2016, 2015]
    # The surface lies at row 100; 10 rows to the millimetre.
    assert [row["y_px"] for row in rows] == pytest.approx([170, 270, 370, 470, 570])
    assert [row["x_px"] for row in rows] == pytest.approx([200] * 5)
    assert [row["certainty"] for row in rows] == ["certain", "doubtful", "certain", "certain", "certain"]
    assert {row["origin"] for row in rows} == {"computed"}
    assert rows[0]["depth_lo_mm"] == pytest.approx(6.6)
    assert (rows[4]["year_lo"], rows[4]["year_hi"]) == (2015, 2016)


def test_growth_table_by_hand():
    rows = told().growth.rows()
    assert [row["year"] for row in rows] == [2020, 2019, 2018, 2017, 2016, 2015]
    assert [row["complete"] for row in rows] == ["partial", "yes", "yes", "yes", "yes", "partial"]
    assert [row["extension_mm_yr"] for row in rows[1:5]] == pytest.approx([10.0] * 4)
    assert [row["density_g_cm3"] for row in rows[1:5]] == pytest.approx([1.12, 1.22, 1.32, 1.42], abs=1e-6)
    assert [row["calcification_g_cm2_yr"] for row in rows[1:5]] == pytest.approx([1.12, 1.22, 1.32, 1.42], abs=1e-6)
    assert "partial" in rows[0]["flags"].split()


def test_track_table_by_hand():
    (row,) = told().tracks.rows()
    assert row["specimen"] == "TB-21"
    assert row["length_mm"] == pytest.approx(55.0)
    assert (row["surface_x_px"], row["surface_y_px"]) == pytest.approx((200, 100))
    assert (row["years_lo"], row["years"], row["years_hi"]) == (3, 4, 5)
    assert row["mean_extension_mm_yr"] == pytest.approx(10.0)
    assert row["mean_density_g_cm3"] == pytest.approx(1.27, abs=1e-6)
    assert row["width_mm"] == DEFAULT_WIDTH_MM
    assert row["follow_mm"] == pytest.approx(12.0)
    assert row["surface_sd_mm"] == 0.03
    assert row["scale_sd_frac"] == 0.002


def test_extension_is_square_to_oblique_bands():
    record = record_of(kind="radiograph")
    rows = told(record, [track_of(record, slope=0.5)]).growth.rows()
    assert [row["extension_mm_yr"] for row in rows[1:5]] == pytest.approx([10.0 / np.sqrt(1.25)] * 4)
    assert rows[1]["tilt_deg"] == pytest.approx(np.degrees(np.arctan(0.5)))


def test_profile_table_by_hand():
    profile = told().profile
    assert len(profile) == 551
    assert set(profile.track) == {"A"}
    np.testing.assert_allclose(profile.value, 0.5 * profile.depth_mm)
    np.testing.assert_allclose(profile.y_px, 100 + 10 * profile.depth_mm)
    np.testing.assert_allclose(profile.density_g_cm3, 1.0 + 0.01 * profile.depth_mm)


def test_lines_on_the_image():
    record = record_of(kind="radiograph")
    lines = told(record, [track_of(record, slope=0.5)]).lines
    assert [line.role for line in lines] == ["track", "surface", "strip", *["mark"] * 5]
    track, surface, strip, first = lines[:4]
    np.testing.assert_allclose(track.y_px, 100 + np.arange(551))
    np.testing.assert_allclose(surface.y_px, 100.0)
    assert (strip.x_px[0], strip.y_px[0]) == (strip.x_px[-1], strip.y_px[-1])
    assert (strip.x_px.min(), strip.x_px.max()) == pytest.approx((140, 260))
    assert first.label == "2019"
    assert lines[4].certainty == "doubtful"
    # Down the page, positive is to the left: 6 mm to the left the band lies 3 mm deeper.
    assert (first.x_px[-1], first.y_px[-1]) == pytest.approx((140, 200))
    assert (first.x_px[0], first.y_px[0]) == pytest.approx((260, 140))


def test_track_without_marks_keeps_its_row_and_profile():
    record = record_of(kind="radiograph")
    bare = told(record, [track_of(record, marks_mm=np.empty(0), flags=(Flag(code="no-marks", track="A"),))])
    assert len(bare.marks) == 0
    assert len(bare.growth) == 0
    (row,) = bare.tracks.rows()
    # Not a count of nothing: nothing was counted.
    assert np.isnan([row["years"], row["years_lo"], row["years_hi"], row["mean_extension_mm_yr"]]).all()
    assert row["flags"] == "no-marks"
    assert len(bare.profile) == 551
    assert [line.role for line in bare.lines] == ["track", "surface", "strip"]


def test_two_tracks_stand_below_each_other():
    record = record_of(kind="radiograph")
    record = replace(record, tracks=(record.tracks[0], replace(record.tracks[0], name="B")))
    both = told(record, [track_of(record), track_of(record, name="B", origin="r2")])
    assert both.tracks.track.tolist() == ["A", "B"]
    assert both.marks.track.tolist() == ["A"] * 5 + ["B"] * 5
    assert both.marks.origin.tolist() == ["computed"] * 5 + ["r2"] * 5
    assert set(both.chronologies) == {"A", "B"}
    np.testing.assert_array_equal(both.chronologies["A"].depth_mm[0], MARKS_MM)
    np.testing.assert_array_equal(both.chronologies["A"].year[0], [2019, 2018, 2017, 2016, 2015])


def test_doubts_reach_the_tables_and_are_told_once():
    record = record_of(kind="radiograph")
    doubt = Flag(code="doubtful-mark", track="A", depth_mm=17.0, detail="probability 0.60")
    result = told(record, [track_of(record, flags=(doubt, Flag(code="narrow-strip", track="A"), doubt))],
                  flags=(Flag(code="no-standards"), Flag(code="no-standards")))
    assert [flag.code for flag in result.flags] == ["no-standards", "doubtful-mark", "narrow-strip"]
    assert [row["flags"] for row in result.marks.rows()] == ["", "doubtful-mark", "", "", ""]
    assert result.tracks.flags.tolist() == ["doubtful-mark narrow-strip"]


def test_picked_stain_by_hand():
    result = told(record_of(STAIN, kind="radiograph"))
    (row,) = result.stains.rows()
    assert (row["found"], row["stain_date"], row["dye"]) == ("yes", "2016-06-15", "alizarin red S")
    assert (row["x_px"], row["y_px"]) == pytest.approx((200, 350))
    assert row["depth_mm"] == pytest.approx(25.0)
    assert row["extension_mm_yr"] == pytest.approx(25.0 / row["interval_yr"])
    assert row["increment_mm"] == pytest.approx(25.0)
    assert [line.label for line in result.lines if line.role == "stain"] == ["2016-06-15"]


def test_stain_that_is_not_seen_has_a_row_without_numbers():
    (row,) = told(record_of(STAIN.replace("at_px = [200, 350]\n", ""), kind="radiograph")).stains.rows()
    assert row["found"] == "no"
    assert np.isnan([row["depth_mm"], row["x_px"], row["y_px"], row["extension_mm_yr"]]).all()


# ---- sentences ----

def methods(*args, **options):
    return " ".join(told(*args, **options).methods)


@pytest.mark.parametrize(("source", "words"), [
    ("bar", "a scale bar whose ends were given"), ("bar found", "a scale bar found in the image"),
    ("mm_per_px", "the stated resolution"), ("file", "the resolution stated in the image file")])
def test_where_the_scale_came_from(source, words):
    text = methods(scale=replace(SCALE, source=source))
    assert f"Lengths were taken from {words} (0.1 mm per pixel, standard deviation 0.2 %)." in text
    assert "magnification" not in text


def test_magnification_is_told_where_it_was_corrected():
    assert "divided by an X-ray magnification of 1.0050" in methods(scale=replace(SCALE, magnification=1.005))


def test_surface_is_told_as_found_only_where_it_was():
    assert "found on each track at the half-way level" in methods()
    absent = methods(tracks=[], strip=strip_of(surface_found=False))
    assert "No outer surface was found on track A: depth starts at its first drawn point." in absent
    assert "half-way level" not in absent


def test_whose_marks_they_are():
    record = record_of(kind="radiograph")
    computed, read = methods(), methods(record, [track_of(record, origin="r1")])
    assert "hidden semi-Markov model whose mean year (10.0 mm, spread 12 %)" in computed
    assert "reader" not in computed
    assert "Track A: the annual marks are those of the reader r1." in read
    assert "semi-Markov" not in read
    assert "cross the track at 0 degrees" in computed


def test_dating_rule_is_told():
    assert track_of(record_of(kind="radiograph")).dated.rule in told().methods


def test_stains_are_told_as_they_were_done():
    assert "stain" not in methods()
    picked = methods(record_of(STAIN, kind="radiograph"))
    assert "picked by a person" in picked
    assert "Extension since staining" in picked
    assert "colour index" not in picked
    unseen = methods(record_of(STAIN.replace("at_px = [200, 350]\n", ""), kind="radiograph"))
    assert "stain" not in unseen


def test_stain_looked_for_in_colour_is_told():
    record = record_of(STAIN.replace("at_px = [200, 350]\n", ""))
    colour = np.full((551, 61, 3), 200.0) + np.random.default_rng(0).normal(0, 2, (551, 61, 3))
    text = methods(record, [], carrier=Brightness(full_scale=65535.0), strip=strip_of(colour))
    assert "traced across the slab in a colour index of the dye" in text
    assert "Extension since staining" not in text


# ---- facts ----

def test_facts_of_image_scale_and_settings():
    result = told()
    assert result.image["dense"] == "bright"
    assert result.image["signal"] == "attenuation (natural logarithm)"
    assert (result.image["width_px"], result.image["height_px"], result.image["bits"]) == (400, 700, 16)
    assert result.image["notes"] == [Flag(code="eight-bit").sentence]
    assert result.scale["source"] == "bar"
    assert result.scale["bar_px"] is None
    assert result.calibration is None
    assert result.settings["slab_thickness_mm"] is None
    assert result.settings["mark_date"] is None
    assert result.provenance["image_sha256"] == "ab" * 32
    assert result.provenance["record"] == "TB-21.toml"
    assert {"version", "python", "numpy", "scipy"} <= set(result.provenance)


def test_bar_ends_are_plain_lists():
    assert told(scale=replace(SCALE, bar_px=((1.0, 2.0), (3.0, 4.0)))).scale["bar_px"] == [[1.0, 2.0], [3.0, 4.0]]


def test_grey_picture_is_stretched_to_its_own_range():
    picture = told().picture
    assert (picture.min(), picture.max()) == (0.0, 1.0)
    assert picture[35, 0] == pytest.approx(0.5, abs=0.02)


def test_colour_picture_keeps_its_light():
    values = np.full((70, 40, 3), 0.25 * 65535, dtype=np.float32)
    np.testing.assert_allclose(told(overview=Overview(values=values, step_px=10)).picture, 0.25, atol=1e-4)


def test_picture_of_one_grey_and_of_missing_numbers_is_no_crash():
    values = np.full((70, 40), 7.0, dtype=np.float32)
    values[:5] = np.nan
    picture = told(overview=Overview(values=values, step_px=10)).picture
    assert np.nanmin(picture) >= 0.0
    assert np.nanmax(picture) <= 1.0
