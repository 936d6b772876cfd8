"""Events and fixed readings in the record."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from record_texts import FULL, changed

from bandkit.errors import RecordError
from bandkit.record import EventSpec, check_record, parse_record, raise_for_image

EVENTS = FULL + """
[[event]]                                 # the second crest of a year
track = "A"
at_px = [361, 520]
kind = "doublet"

[[event]]
track = "B"
at_px = [465, 900.5]
kind = "stress band"
note = "bleaching seen in 2016"
"""


def parse(text: str):
    return parse_record(text, Path("/slabs/TB-07.toml"), today=datetime.date(2025, 1, 1))


def test_events_are_read():
    doublet, stress = parse(EVENTS).events
    assert doublet == EventSpec(track="A", at_px=(361.0, 520.0), kind="doublet", note="")
    assert stress == EventSpec(track="B", at_px=(465.0, 900.5), kind="stress band", note="bleaching seen in 2016")
    assert parse(FULL).events == ()


def test_a_reading_is_of_all_marks_where_it_does_not_say():
    assert parse(FULL).readings[0].role == "all"
    assert parse(changed("blind = false", 'blind = false\nrole = "fixed"')).readings[0].role == "fixed"


@pytest.mark.parametrize(("old", "new", "said"), [
    ('kind = "doublet"', 'kind = "double"', 'event[1].kind = "double": not one of the choices; write one of "doublet" | "stress band"'),
    ('kind = "doublet"', "", 'event[1].kind: missing; write kind = "doublet"'),
    ("at_px = [361, 520]", "", "event[1].at_px: missing; write at_px = [361, 520]"),
    ("at_px = [361, 520]", "at_px = [361]", "event[1].at_px = [361]: "),
    ('track = "B"\nat_px', 'track = "C"\nat_px', 'event[2].track = "C": no track of that name; write one of "A", "B"'),
    ("note =", "notes =", 'event[2].notes = "bleaching seen in 2016": unknown key; the nearest known key is note'),
    ("blind = false", 'role = "some"', 'reading[1].role = "some": not one of the choices; write one of "all" | "fixed"'),
])
def test_wrong_events_are_told(old, new, said):
    with pytest.raises(RecordError) as caught:
        parse(changed(old, new, EVENTS))
    assert str(caught.value).startswith(f"/slabs/TB-07.toml: {said}")


def test_event_outside_the_image():
    raise_for_image(parse(EVENTS), 1000, 3551)
    with pytest.raises(RecordError, match=r"event\[2\]\.at_px: .*900\.5\] lies outside the image"):
        raise_for_image(parse(changed("[465, 900.5]", "[1465, 900.5]", EVENTS)), 1000, 3551)


def test_event_is_asked_about():
    found = {(doubt.code, doubt.key): doubt.message for doubt in check_record(parse(EVENTS))}
    assert found["event", "event[2].kind"] == "no mark will be taken from this stress band: look at it once more"


LATER = """
[[reading]]
track = "{track}"
reader = "r2"
marks = [ {{ at_px = [361, 290] }} ]
"""


@pytest.mark.parametrize(("track", "used"), [("A", False), ("B", True)])
def test_fixed_marks_before_a_reading_of_all_are_not_used(track, used):
    text = changed("blind = false", 'blind = false\nrole = "fixed"') + LATER.format(track=track)
    keys = [doubt.key for doubt in check_record(parse(text)) if doubt.code == "reading-not-used"]
    assert keys == ([] if used else ["reading[1].role"])
