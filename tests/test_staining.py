"""Stainings of a slab: found, picked, absent or not visible, and what each says of growth."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from plain_strips import SURFACE_MM, record_of, strip_of

from bandkit.stain_lines import PICK_SD_MM
from bandkit.staining import measure_stains, offer_stains

PICKED = """
[[stain]]
date = 2016-06-14
dye = "alizarin red S"
at_px = [200, 350]
"""
LATER = """
[[stain]]
date = 2018-06-15
dye = "alizarin red S"
"""
EARLIER = """
[[stain]]
date = 2016-06-15
dye = "alizarin red S"
"""

CREAM, PINK = np.array([225.0, 212.0, 190.0]), np.array([215.0, 140.0, 150.0])


def skeleton(*lines_mm, seed=0):
    """Cream skeleton with pink lines whose outer edge is sharp and whose inner side fades over 1.5 mm."""
    depth = np.arange(551) * 0.1
    dye = np.zeros(len(depth))
    for line in lines_mm:
        dye += np.where(depth >= line, np.exp(-(depth - line) / 1.5), 0.0)
    colour = CREAM + dye[:, None] * (PINK - CREAM)
    noise = np.random.default_rng(seed).normal(0, 2.5, (len(depth), 61, 3))
    return np.clip(colour[:, None, :] + noise, 0, 255)


def stains(text, values=None, *, kind="photograph", **options):
    record = record_of(text, kind=kind)
    return measure_stains(record, record.tracks[0], strip_of(values), full_scale=255.0, **options)


def test_picked_line_by_hand():
    # Row 350 lies 30 mm below the first point, 25 mm below the surface; three years of 365.25 days less a tenth of a day.
    measured = stains(PICKED, kind="radiograph")
    (row,) = measured.rows
    assert row.found
    assert row.depth_mm == pytest.approx(25.0)
    assert row.depth_sd_mm == PICK_SD_MM
    assert row.interval_yr == pytest.approx(3.0, abs=0.003)
    assert row.extension_mm_yr == pytest.approx(25.0 / row.interval_yr)
    assert row.extension_sd_mm_yr == pytest.approx(np.hypot(PICK_SD_MM, 0.03) / row.interval_yr)
    assert row.confidence == 1.0
    assert row.codes == ("stain-picked",)
    np.testing.assert_allclose(row.line_mm, 25.0)
    assert [(flag.code, flag.track, flag.detail) for flag in measured.flags] == [("stain-picked", "A", "2016-06-14")]
    assert measured.flags[0].depth_mm == pytest.approx(25.0)
    assert SURFACE_MM == 5.0


def test_pick_outside_the_surface_gives_no_rate():
    (row,) = stains(PICKED.replace("350", "80"), kind="radiograph").rows
    assert row.depth_mm == pytest.approx(-2.0)
    assert row.codes == ("stain-picked", "stain-outside-image")
    assert np.isnan(row.extension_mm_yr)


def test_error_of_the_scale_is_added():
    (row,) = stains(PICKED, kind="radiograph", scale_sd_frac=0.02).rows
    own = np.hypot(PICK_SD_MM, 0.03) / row.interval_yr
    assert row.extension_sd_mm_yr == pytest.approx(np.hypot(own, 0.02 * row.extension_mm_yr))


@pytest.mark.parametrize(("date", "codes"), [
    ("2019-05-20", {"stain-picked", "interval-short", "interval-not-whole"}), ("2017-01-15", {"stain-picked", "interval-not-whole"}),
    ("2018-06-15", {"stain-picked"})])
def test_interval_is_doubted_where_season_or_recovery_matter(date, codes):
    (row,) = stains(PICKED.replace("2016-06-14", date), kind="radiograph").rows
    assert set(row.codes) == codes


@pytest.mark.parametrize("kind", ["radiograph", "luminescence"])
def test_dye_is_not_looked_for_where_it_does_not_show(kind):
    measured = stains(EARLIER, kind=kind)
    (row,) = measured.rows
    assert not row.found
    assert row.codes == ("stain-not-visible",)
    assert np.isnan([row.depth_mm, row.depth_sd_mm, row.extension_mm_yr, row.confidence]).all()
    assert row.interval_yr == pytest.approx(3.0, abs=0.003)
    assert row.line_mm.size == 0
    assert measured.dye_index is None


def test_grey_photograph_does_not_show_dye():
    (row,) = stains(EARLIER, np.full((551, 61), 200.0)).rows
    assert row.codes == ("stain-not-visible",)


def test_line_in_colour_is_found_at_its_outer_edge():
    measured = stains(EARLIER, skeleton(24.0))
    (row,) = measured.rows
    assert row.found
    assert row.depth_mm == pytest.approx(24.0, abs=0.1)
    assert row.depth_sd_mm < 0.15
    assert row.confidence > 0.95
    assert row.extension_mm_yr == pytest.approx(8.0, abs=0.05)
    # The dye along the track: nothing outside the line, most at it, fading inwards.
    index, depth = measured.dye_index, measured.strip.depth_mm
    assert np.argmax(index) == pytest.approx(np.searchsorted(depth, 24.0), abs=8)
    assert np.abs(np.median(index[depth < 20])) < 0.1 * index.max()


def test_clean_skeleton_is_a_result():
    measured = stains(EARLIER, skeleton())
    (row,) = measured.rows
    assert not row.found
    assert row.codes == ("stain-not-found",)
    assert row.confidence < 0.9
    assert np.isnan(row.extension_mm_yr)
    assert measured.flags[0].depth_mm is None


def test_rows_stand_in_the_order_of_the_record_and_lines_go_to_their_dates():
    for text, depths in ((EARLIER + LATER, [24.0, 8.0]), (LATER + EARLIER, [8.0, 24.0])):
        rows = stains(text, skeleton(8.0, 24.0)).rows
        np.testing.assert_allclose([row.depth_mm for row in rows], depths, atol=0.15)


def test_growth_between_two_lines():
    earlier, later = stains(EARLIER + LATER, skeleton(8.0, 24.0)).rows
    assert later.increment.extension_mm_yr == pytest.approx(later.extension_mm_yr)
    assert earlier.increment.inner_mm - earlier.increment.outer_mm == pytest.approx(earlier.depth_mm - later.depth_mm)
    assert earlier.increment.extension_mm_yr == pytest.approx(8.0, abs=0.15)
    assert (earlier.increment.newer, earlier.increment.older) == (dt.date(2018, 6, 15), dt.date(2016, 6, 15))


def test_one_line_for_two_stainings_is_given_to_the_likelier():
    # 8 mm in one year or in three: 8 mm/yr is what corals grow, 2.7 is not.
    earlier, later = stains(EARLIER + LATER, skeleton(8.0)).rows
    assert later.found
    assert not earlier.found
    assert later.depth_mm == pytest.approx(8.0, abs=0.15)


def test_picked_and_looked_for_side_by_side():
    earlier, later = stains(PICKED + LATER, skeleton(8.0, 24.0)).rows
    assert earlier.codes == ("stain-picked",)
    assert earlier.depth_mm == pytest.approx(25.0)
    assert later.found
    assert later.depth_mm == pytest.approx(8.0, abs=0.15)


def test_without_collection_date_there_is_a_depth_and_no_rate():
    record = record_of(EARLIER + LATER)
    record = replace(record, specimen=replace(record.specimen, collected=None))
    rows = measure_stains(record, record.tracks[0], strip_of(skeleton(8.0, 24.0)), full_scale=255.0).rows
    np.testing.assert_allclose([row.depth_mm for row in rows], [24.0, 8.0], atol=0.15)
    assert np.isnan([row.interval_yr for row in rows]).all()
    assert np.isnan([row.extension_mm_yr for row in rows]).all()
    assert all(row.increment is None for row in rows)


def test_dead_top_gives_no_rate():
    record = record_of(PICKED, kind="radiograph")
    record = replace(record, specimen=replace(record.specimen, top_alive=False))
    (row,) = measure_stains(record, record.tracks[0], strip_of(), full_scale=255.0).rows
    assert row.found
    assert row.depth_mm == pytest.approx(25.0)
    assert np.isnan(row.extension_mm_yr)


def test_no_stainings_no_rows():
    measured = stains("", skeleton(24.0))
    assert measured.rows == ()
    assert measured.flags == ()
    assert measured.dye_index is None


def test_radiograph_says_once_that_it_shows_no_dye():
    measured = [stains(EARLIER + LATER, kind="radiograph") for _ in range(3)]
    offered = offer_stains(measured)
    assert [[flag.detail for flag in item.flags] for item in offered] == [["2016-06-15", "2018-06-15"], [], []]
    # Rows keep their codes, and other doubts are told for every track.
    assert [item.rows for item in offered] == [item.rows for item in measured]
    absent = [stains(EARLIER, skeleton()) for _ in range(2)]
    assert [len(item.flags) for item in offer_stains(absent)] == [1, 1]


def tilted(depth_mm, slope, seed=0):
    """Cream skeleton with one pink line that falls to the right by ``slope``."""
    depth, across = np.arange(551) * 0.1, (np.arange(61) - 30) * 0.2
    below = depth[:, None] - depth_mm - slope * across[None, :]
    dye = np.where(below >= 0, np.exp(-np.clip(below, 0, None) / 1.5), 0.0)
    noise = np.random.default_rng(seed).normal(0, 2.5, (551, 61, 3))
    return np.clip(CREAM + dye[..., None] * (PINK - CREAM) + noise, 0, 255)


def test_a_pick_beside_the_track_follows_the_line_to_it():
    # Column 240 lies 4 mm to one side of the track, where the line is 1.2 mm deeper or shallower than on it.
    for slope in (0.3, -0.3):
        record = record_of(PICKED.replace("[200, 350]", "[240, 350]"))
        strip = strip_of(tilted(25.0, slope))
        depth, aside = strip.axis.project(240, 350)
        line_there = 25.0 + slope * aside
        row = measure_stains(record, record.tracks[0], strip, full_scale=255.0).rows[0]
        assert row.depth_mm == pytest.approx(depth - SURFACE_MM - (line_there - 25.0), abs=0.1)
        assert abs(row.depth_mm - 25.0) > 1.0


def test_a_pick_without_a_line_follows_the_outer_surface():
    record = record_of(PICKED.replace("[200, 350]", "[240, 350]"))
    strip = strip_of(skeleton())
    aside = strip.axis.project(240, 350)[1]
    strip = replace(strip, outline_mm=0.2 * strip.across_mm)
    row = measure_stains(record, record.tracks[0], strip, full_scale=255.0).rows[0]
    assert row.depth_mm == pytest.approx(25.0 - 0.2 * aside)
    assert abs(aside) == pytest.approx(4.0)


def test_days_of_recovery_are_left_out_of_the_time():
    (plain,) = stains(PICKED, kind="radiograph").rows
    (row,) = stains(PICKED + "days_excluded = 6\n", kind="radiograph").rows
    assert row.interval_yr == pytest.approx(plain.interval_yr - 6 / 365.25)
    assert row.extension_mm_yr == pytest.approx(25.0 / row.interval_yr)
    assert row.increment.extension_mm_yr == pytest.approx(row.extension_mm_yr)
    assert row.excluded_days == 6


def test_growth_in_every_direction_along_the_line():
    record = record_of(EARLIER)
    strip = strip_of(tilted(24.0, 0.0))
    strip = replace(strip, outline_mm=0.2 * np.abs(strip.across_mm))
    (row,) = measure_stains(record, record.tracks[0], strip, full_scale=255.0).rows
    # Straight up from a level line at 24 mm to a roof whose sides fall by a fifth.
    assert row.around.largest_mm == pytest.approx(24.0, abs=0.15)
    assert row.around.extension_mm.min() == pytest.approx(24.0 - 0.2 * 6.0, abs=0.3)
    (bare,) = stains(EARLIER, skeleton(24.0)).rows
    assert bare.around is None


def test_calcein_is_looked_for_as_a_green_line():
    dim, glow = np.array([40.0, 70.0, 62.0]), np.array([48.0, 120.0, 70.0])
    depth = np.arange(551) * 0.1
    dye = np.where(depth >= 20.0, np.exp(-(depth - 20.0) / 1.5), 0.0)
    noise = np.random.default_rng(2).normal(0, 2.0, (551, 61, 3))
    values = np.clip(dim + dye[:, None, None] * (glow - dim) + noise, 0, 255)
    (row,) = stains(EARLIER.replace("alizarin red S", "calcein"), values).rows
    assert row.found
    assert row.depth_mm == pytest.approx(20.0, abs=0.1)
    assert not stains(EARLIER, values).rows[0].found


def test_linear_light_is_taken_as_it_is():
    code = skeleton(24.0) / 255.0
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4) * 65535.0
    record = record_of(EARLIER + '\n[colour]\nencoding = "linear"\n')
    (row,) = measure_stains(record, record.tracks[0], strip_of(light), full_scale=65535.0).rows
    assert row.depth_mm == pytest.approx(stains(EARLIER, skeleton(24.0)).rows[0].depth_mm, abs=0.005)


def test_white_balance_does_not_matter():
    plain = stains(EARLIER, skeleton(24.0)).rows[0]
    record = record_of(EARLIER + '\n[colour]\nencoding = "linear"\n')
    for gains in ([1.0, 1.0, 1.0], [1.0, 0.7, 0.4]):
        values = (skeleton(24.0) / 255.0) ** 2.2 * np.array(gains)
        (row,) = measure_stains(record, record.tracks[0], strip_of(values), full_scale=1.0).rows
        assert row.depth_mm == pytest.approx(plain.depth_mm, abs=0.02)
