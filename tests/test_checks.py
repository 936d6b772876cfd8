"""Track against track, marks against stains: hand-made tracks whose bands are straight."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from plain_strips import record_of
from plain_tracks import MARKS_MM, field_of, track_of

from bandkit.axis import make_axis
from bandkit.checks import check_count, compare_tracks, confirmed_of
from bandkit.checks.replicates import carry_marks
from bandkit.staining import measure_stains

RECORD = record_of(kind="radiograph")
APART_PX = 40  # 4 mm: the strips are 12 mm wide


def beside(track, apart_px=APART_PX):
    """The same track, drawn further to the right."""
    axis = make_axis([(200 + apart_px, 50), (200 + apart_px, 650)], (0.1, 0.1), step_mm=0.1)
    return replace(track, strip=replace(track.strip, axis=axis))


def pair_of(second_mm, *, slope=0.0, apart_px=APART_PX, first_mm=MARKS_MM):
    first = track_of(RECORD, marks_mm=first_mm, slope=slope)
    second = beside(track_of(RECORD, name="B", marks_mm=np.asarray(second_mm), slope=slope), apart_px)
    (pair,) = compare_tracks([first, second])
    return pair


@pytest.mark.parametrize("slope", [0.0, 0.25, -0.25])
def test_marks_are_carried_along_the_bands(slope):
    # Across counts to the left of a track that runs downwards: 4 mm to its right a band of slope s lies 4 s higher.
    there = carry_marks(track_of(RECORD, slope=slope), beside(track_of(RECORD, name="B", slope=slope)))
    np.testing.assert_allclose(there, MARKS_MM - 4.0 * slope, atol=0.02)


@pytest.mark.parametrize("slope", [0.0, 0.25, -0.25])
def test_tracks_that_mark_the_same_bands_agree(slope):
    pair = pair_of(MARKS_MM - 4.0 * slope, slope=slope)
    assert pair.first_match.tolist() == pair.second_match.tolist() == [0, 1, 2, 3, 4]
    assert (pair.n_agreed, pair.n_compared, pair.flags) == (5, 5, ())
    assert pair.difference_mm == pytest.approx(0.0, abs=0.02)
    # 8 of 12 mm are common to both strips.
    assert pair.shared_frac == pytest.approx(8 / 12)


def test_oblique_bands_do_not_lie_at_one_depth():
    # The same depths on bands of half a millimetre a millimetre are a fifth of a year apart, and of 1.0 two fifths.
    assert pair_of(MARKS_MM, slope=0.5).n_agreed == 5
    assert pair_of(MARKS_MM, slope=1.0).n_agreed == 0


def test_mark_that_the_other_track_does_not_have():
    pair = pair_of([7.2, 17.2, 37.2, 47.2])
    assert pair.first_match.tolist() == [0, 1, -1, 2, 3]
    assert pair.second_match.tolist() == [0, 1, 3, 4]
    assert (pair.n_agreed, pair.n_compared) == (4, 5)
    assert pair.difference_mm == pytest.approx(0.2)
    missing, label = pair.flags
    assert (missing.code, missing.track, missing.depth_mm) == ("tracks-disagree", "A", 27.0)
    assert missing.detail == "no mark on this band on track B"
    assert (label.track, label.depth_mm) == ("A", 37.0)
    # Year by year from 2019: the fourth mark of the one is the third of the other.
    assert label.detail.startswith("from here on 2016 is 2017 on track B")


def test_mark_that_only_the_other_track_has():
    pair = pair_of([7.0, 12.0, 17.0, 27.0, 37.0, 47.0])
    assert pair.second_match.tolist() == [0, -1, 1, 2, 3, 4]
    assert (pair.flags[0].track, pair.flags[0].depth_mm) == ("B", 12.0)
    assert pair.flags[0].detail == "no mark on this band on track A"


def test_one_mark_is_not_the_counterpart_of_two():
    pair = pair_of([7.0, 17.0, 27.2, 37.0, 47.0], first_mm=np.array([7.0, 17.0, 25.5, 27.0, 37.0, 47.0]))
    assert pair.first_match.tolist() == [0, 1, -1, 2, 3, 4]
    assert pair.second_match.tolist() == [0, 1, 3, 4, 5]


def test_newest_mark_that_one_track_lacks():
    pair = pair_of(MARKS_MM[1:])
    assert pair.first_match.tolist() == [-1, 0, 1, 2, 3]
    assert [flag.depth_mm for flag in pair.flags] == [7.0, 17.0]


def test_marks_beyond_a_shorter_series_are_not_compared():
    # The strip of B goes on to 55 mm, but nothing was marked there: half a year past its last mark is looked at only
    # where its end comes sooner, so that the missing marks are told.
    pair = pair_of(MARKS_MM[:3])
    assert pair.first_match.tolist() == [0, 1, 2, -1, -1]
    first = track_of(RECORD)
    short = beside(track_of(RECORD, name="B", marks_mm=MARKS_MM[:3]))
    short = replace(short, strip=replace(short.strip, depth_mm=short.strip.depth_mm[:311]))
    (pair,) = compare_tracks([first, short])
    assert pair.first_match.tolist() == [0, 1, 2, -2, -2]
    assert pair.flags == ()


def test_many_disagreements_are_told_once():
    pair = pair_of(MARKS_MM + 5.0)
    assert pair.n_agreed == 0
    (flag,) = pair.flags
    assert flag.detail == "0 of 10 bands are marked on both A and B"
    assert flag.depth_mm is None


def test_tracks_too_far_apart_are_not_compared():
    pair = pair_of(MARKS_MM, apart_px=300)
    assert pair.first_match.tolist() == [-2] * 5
    assert (pair.n_compared, pair.n_agreed, pair.shared_frac, pair.flags) == (0, 0, 0.0, ())
    assert np.isnan(pair.difference_mm)


def test_how_many_other_tracks_have_a_mark():
    tracks = [
        track_of(RECORD),
        beside(track_of(RECORD, name="B", marks_mm=MARKS_MM[[0, 1, 3, 4]])),
        beside(track_of(RECORD, name="C"), -APART_PX),
        beside(track_of(RECORD, name="D", marks_mm=MARKS_MM[:0])),
    ]
    pairs = compare_tracks(tracks)
    assert [(pair.first, pair.second) for pair in pairs] == [("A", "B"), ("A", "C"), ("B", "C")]
    compared, confirmed = confirmed_of("A", pairs, 5)
    assert compared.tolist() == [2] * 5
    assert confirmed.tolist() == [2, 2, 1, 2, 2]


# ---- stains ----

STAINS = """
[[stain]]
date = 2017-01-15
at_px = [200, {newer}]
[[stain]]
date = 2015-01-15
at_px = [200, {older}]
"""


def checked(newer_mm, older_mm, **options):
    """Stains at two depths below the surface at row 100; marks of 15 January, 2019 at 7 mm, 10 mm a year."""
    record = record_of(STAINS.format(newer=100 + 10 * newer_mm, older=100 + 10 * older_mm), kind="radiograph")
    track = track_of(record, **options)
    return check_count(record, measure_stains(record, record.tracks[0], track.strip, full_scale=65535.0), track)


def test_stains_that_fit_the_count():
    stains = checked(27.0, 47.0)
    newer, older = stains.rows
    # 15 January 2017 to 15 June 2019 is 2.41 years, of which two lie between the marks.
    assert newer.counted_yr == pytest.approx(newer.interval_yr, abs=0.01) == pytest.approx(2.41, abs=0.01)
    assert newer.increment_counted_yr == pytest.approx(2.41, abs=0.01)
    assert older.increment_counted_yr == pytest.approx(2.0)
    assert not [flag for flag in stains.flags if flag.code == "count-against-stain"]


def test_a_picked_stain_is_carried_along_its_band():
    # The band was the surface on the day of the staining: 4 mm to the right it lies 2 mm higher than on the track.
    record = record_of(STAINS.format(newer=350, older=500).replace("[200, 350]", "[240, 350]"), kind="radiograph")
    strip = track_of(record).strip
    square, along = (measure_stains(record, record.tracks[0], strip, full_scale=65535.0, field=field).rows[0]
                     for field in (None, field_of(strip, slope=0.5)))
    assert square.depth_mm == pytest.approx(25.0)
    assert along.depth_mm == pytest.approx(27.0)
    np.testing.assert_allclose(along.line_mm, 27.0 + 0.5 * along.across_mm, atol=1e-6)


def test_every_disagreement_is_told_with_its_numbers_and_changes_nothing():
    stains = checked(27.0, 33.0)
    flags = [flag for flag in stains.flags if flag.code == "count-against-stain"]
    assert [flag.detail for flag in flags] == [
        "3.0 years counted outside the stain of 2015-01-15, 4.4 by the dates",
        "0.6 years counted between the stains of 2015-01-15 and 2017-01-15, 2.0 by the dates"]
    assert all(flag.depth_mm == pytest.approx(33.0) for flag in flags)
    assert [row.date for row in stains.rows] == [dt.date(2017, 1, 15), dt.date(2015, 1, 15)]
    assert stains.rows[1].extension_mm_yr == pytest.approx(33.0 / 4.41, abs=0.02)


def test_stain_that_is_not_found_and_would_lie_beyond_the_end():
    text = "\n[[stain]]\ndate = 2010-01-15\n"
    record = record_of(text, kind="radiograph")
    track = track_of(record)
    stains = check_count(record, measure_stains(record, record.tracks[0], track.strip, full_scale=65535.0), track)
    # Nine years inside the mark of 2019 at 7 mm.
    (flag,) = (flag for flag in stains.flags if flag.code == "stain-outside-image")
    assert flag.detail == "2010-01-15 would lie about 97 mm deep by the marks"


def test_rate_since_a_stain_that_the_genus_does_not_reach():
    record = record_of(STAINS.format(newer=140, older=500), kind="radiograph")
    record = replace(record, specimen=replace(record.specimen, taxon="Porites lutea"))
    strip = track_of(record).strip
    # 4 mm in 2.4 years and 40 mm in 4.4 years.
    newer, older = measure_stains(record, record.tracks[0], strip, full_scale=65535.0).rows
    assert "extension-implausible" in newer.codes
    assert "extension-implausible" not in older.codes
