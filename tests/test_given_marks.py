"""What a person gives beside the search: fixed marks, doublets, stress bands; by hand, then on a slab."""

from dataclasses import replace

import numpy as np
import pytest
from plain_strips import record_of, strip_of
from plain_tracks import MARKS_MM, field_of

from bandkit.dating import LostYears
from bandkit.record.model import EventSpec, ReadingMark, ReadingSpec
from bandkit.tracks import BandEvent, TrackMarks
from bandkit.tracks.events import (
    absent_years,
    declared_events,
    event_half_mm,
    found_events,
    gap_events,
    hidden_rows,
    with_declared,
)
from bandkit.tracks.readings import Pick, fixed_depths, marks_of, picks_of, readings_of, with_picks
from bandkit.tracks.sequence import counted, no_marks

READ = ReadingSpec(track="A", reader="r1", marks=(ReadingMark(at_px=(200, 170)),))


def computed(depth_mm=MARKS_MM, n_draws=8):
    """Marks 10 mm apart that the program found, the same in every sequence."""
    depth_mm = np.asarray(depth_mm, dtype=float)
    n = len(depth_mm)
    return counted(TrackMarks(
        depth_mm=depth_mm, lo_mm=depth_mm - 0.4, hi_mm=depth_mm + 0.4, probability=np.full(n, 0.8),
        certainty=np.full(n, "doubtful"), origin=np.full(n, "computed"), count_lo=np.empty(0), count_hi=np.empty(0), total_lo=0,
        total_hi=0, draws_mm=[depth_mm.copy() for _ in range(n_draws)], reach_mm=5.0))


def pick(depth_mm, certainty="certain", reader="r1"):
    return Pick(depth_mm=depth_mm, certainty=certainty, reader=reader)


# ---- which readings count ----

@pytest.mark.parametrize(("roles", "whole", "fixed"), [
    (["all"], 0, []), (["all", "all"], 1, []), (["fixed"], None, [0]), (["fixed", "fixed"], None, [0, 1]),
    (["fixed", "all"], 1, []), (["all", "fixed"], None, [1]), (["fixed", "all", "fixed", "fixed"], None, [2, 3]), ([], None, [])])
def test_the_last_reading_wins(roles, whole, fixed):
    readings = tuple(replace(READ, reader=f"r{i}", role=role) for i, role in enumerate(roles))
    other = replace(READ, track="B", role="all")
    empty = replace(READ, marks=(), role="all")
    got_whole, got_fixed = readings_of(replace(record_of(), readings=(*readings, other, empty)), "A")
    assert got_whole == (None if whole is None else readings[whole])
    assert got_fixed == tuple(readings[i] for i in fixed)


def test_picks_are_carried_along_the_bands_and_sorted():
    strip = strip_of()
    reading = ReadingSpec(track="A", reader="r1", marks=(
        ReadingMark(at_px=(240, 300), certainty="doubtful"), ReadingMark(at_px=(200, 170))))
    # 4 mm to the right a band of half a millimetre a millimetre lies 2 mm higher than on the track.
    first, second = picks_of([reading], strip, field_of(strip, slope=0.5))
    assert (first.depth_mm, first.certainty) == (pytest.approx(7.0), "certain")
    assert (second.depth_mm, second.certainty) == (pytest.approx(22.0), "doubtful")


def test_a_reading_counts_its_doubtful_marks_as_half():
    strip = strip_of()
    marks = marks_of(ReadingSpec(track="A", reader="r1", marks=tuple(
        ReadingMark(at_px=(200, 100 + 10 * d), certainty=c)
        for d, c in zip(MARKS_MM, ["certain", "doubtful", "doubtful", "inserted", "certain"], strict=True))), strip, field_of(strip))
    assert marks.count_lo.tolist() == [1, 1, 1, 2, 3]
    assert marks.count_hi.tolist() == [1, 2, 3, 4, 5]
    assert (marks.total_lo, marks.total_hi) == (3, 5)
    assert np.mean([len(draw) for draw in marks.draws_mm]) == pytest.approx(4.0)
    assert marks.probability.tolist() == [1.0, 0.5, 0.5, 1.0, 1.0]


# ---- fixed marks among computed ones ----

def test_certain_pick_replaces_the_computed_mark_there():
    marks = with_picks(computed(), [pick(18.0)], 10.0)
    assert marks.depth_mm.tolist() == [7, 18, 27, 37, 47]
    assert marks.certainty.tolist() == ["doubtful", "certain", "doubtful", "doubtful", "doubtful"]
    assert marks.origin.tolist() == ["computed", "r1", "computed", "computed", "computed"]
    assert marks.probability.tolist() == [0.8, 1.0, 0.8, 0.8, 0.8]
    assert all(draw.tolist() == [7, 18, 27, 37, 47] for draw in marks.draws_mm)
    # A person's pick is good to 0.3 mm.
    assert marks.hi_mm[1] - marks.lo_mm[1] == pytest.approx(2 * 1.645 * 0.3, abs=0.01)


def test_certain_pick_where_nothing_was_found_is_one_more():
    marks = with_picks(computed(), [pick(12.0)], 10.0)
    assert marks.depth_mm.tolist() == [7, 12, 17, 27, 37, 47]
    assert all(draw.tolist() == [7, 12, 17, 27, 37, 47] for draw in marks.draws_mm)
    assert (marks.total_lo, marks.total_hi) == (6, 6)


def test_doubtful_pick_stands_in_half_of_the_sequences():
    found = with_picks(computed(), [pick(17.5, "doubtful")], 10.0)
    assert found.depth_mm.tolist() == [7, 17.5, 27, 37, 47]
    assert found.probability[1] == 0.5
    assert found.certainty[1] == "doubtful"
    assert sorted(len(draw) for draw in found.draws_mm) == [4] * 4 + [5] * 4
    assert (found.total_lo, found.total_hi) == (4, 5)
    new = with_picks(computed(), [pick(12.0, "doubtful"), pick(22.0, "doubtful")], 10.0)
    assert [len(draw) for draw in new.draws_mm].count(6) == 4
    assert (new.total_lo, new.total_hi) == (5, 7)


def test_inserted_pick_stands_beside_the_computed_mark():
    marks = with_picks(computed(), [pick(17.0, "inserted")], 10.0)
    assert marks.depth_mm.tolist() == [7, 17, 17, 27, 37, 47]
    assert sorted(marks.origin[1:3].tolist()) == ["computed", "r1"]
    assert all(len(draw) == 6 for draw in marks.draws_mm)
    (event,) = absent_years(marks)
    assert event == BandEvent(kind="absent year", depth_mm=17.0, certainty="inserted", origin="r1")


def test_two_picks_of_one_reader_stay_two_marks():
    marks = with_picks(computed(), [pick(16.0), pick(18.0)], 10.0)
    assert marks.depth_mm.tolist() == [7, 16, 18, 27, 37, 47]
    assert all(draw.tolist() == [7, 16, 18, 27, 37, 47] for draw in marks.draws_mm)


def test_picks_where_nothing_was_found_make_sequences_of_their_own():
    marks = with_picks(no_marks(), [pick(7.0), pick(17.0, "doubtful"), pick(27.0)], float("nan"))
    assert marks.depth_mm.tolist() == [7, 17, 27]
    assert sorted({len(draw) for draw in marks.draws_mm}) == [2, 3]
    assert np.mean([len(draw) for draw in marks.draws_mm]) == 2.5


def test_only_certain_picks_are_told_to_the_search():
    assert fixed_depths([pick(7.0), pick(17.0, "doubtful"), pick(27.0, "inserted"), pick(37.0)]).tolist() == [7.0, 37.0]


# ---- bands that are no years ----

def event(depth_mm, kind, note=""):
    record = replace(record_of(), events=(
        EventSpec(track="A", at_px=(200, 100 + 10 * depth_mm), kind=kind, note=note), EventSpec(track="B", at_px=(1, 1), kind=kind)))
    strip = strip_of()
    (found,) = declared_events(record, "A", strip, field_of(strip))
    assert found.depth_mm == pytest.approx(depth_mm)
    return found


def test_no_computed_mark_stays_on_a_declared_stress_band():
    marks, flags = with_declared(computed(), [event(27.5, "stress band", "bleaching of 2016")], 1.0)
    assert marks.depth_mm.tolist() == [7, 17, 37, 47]
    assert all(27.0 not in draw for draw in marks.draws_mm)
    assert (marks.total_lo, marks.total_hi) == (4, 4)
    (flag,) = flags
    assert (flag.code, flag.depth_mm) == ("mark-left-out", 27.0)
    assert flag.detail == "a stress band is declared at 27.5 mm"
    (kept,) = marks.events
    assert (kept.kind, kept.depth_mm, kept.origin, kept.note) == (
        "stress band", pytest.approx(27.5), "record", "bleaching of 2016")


def test_declared_doublet_goes_with_the_mark_beside_it():
    marks, flags = with_declared(computed([7, 17, 20, 27]), [event(20.0, "doublet")], 1.0)
    assert marks.depth_mm.tolist() == [7, 17, 27]
    assert flags[0].detail == "the second crest of a doublet is declared at 20.0 mm"
    (kept,) = marks.events
    assert (kept.kind, kept.depth_mm, kept.second_mm) == ("doublet", 17.0, pytest.approx(20.0))


def test_a_persons_mark_wins_over_a_declared_event():
    read = replace(computed(), origin=np.full(5, "r1"))
    marks, flags = with_declared(read, [event(27.5, "stress band"), event(32.0, "stress band")], 1.0)
    assert marks.depth_mm.tolist() == MARKS_MM.tolist()
    assert [(flag.code, flag.detail) for flag in flags] == [("event-contradicted", "stress band at 27.5 mm")]


def test_found_doublets_and_stress_bands_are_events():
    marks = computed()
    doublets = np.array([np.nan, 20.0, np.nan, np.nan, np.nan])
    marks = replace(marks, events=found_events(marks, doublets, np.array([33.0])))
    kept, _ = with_declared(marks, [], 1.0)
    doublet, stress = kept.events
    assert (doublet.kind, doublet.depth_mm, doublet.second_mm, doublet.origin) == ("doublet", 17.0, 20.0, "computed")
    assert (stress.kind, stress.depth_mm, stress.certainty) == ("stress band", 33.0, "doubtful")
    # What a person declared there, or marked as a year, takes their place.
    declared, _ = with_declared(marks, [event(20.2, "stress band")], 1.0)
    assert [(e.kind, e.origin) for e in declared.events] == [("stress band", "record"), ("stress band", "computed")]
    marked, _ = with_declared(with_picks(marks, [pick(20.0)], 10.0), [], 1.0)
    assert [e.kind for e in marked.events] == ["stress band"]


def test_declared_bands_are_hidden_from_the_search():
    depth = np.arange(0.0, 30.0, 0.5)
    hidden = hidden_rows(depth, [event(10.0, "stress band")], 1.0)
    assert depth[hidden].tolist() == [9.0, 9.5, 10.0, 10.5, 11.0]
    assert event_half_mm(4.0) == pytest.approx(0.6)
    assert event_half_mm(20.0) == event_half_mm(np.nan) == 1.0


def test_gaps_are_events_with_both_ends():
    (gap,) = gap_events([LostYears(marks_outside=1, least=0, most=3, depth_mm=11.0)], [(10.0, 12.0)])
    assert (gap.kind, gap.depth_mm, gap.second_mm, gap.years_least, gap.years_most) == ("gap", 10.0, 12.0, 0.0, 3.0)
