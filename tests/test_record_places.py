"""Rulers, four corners and landmarks in the record: what is read, what is refused, what is doubted."""

from __future__ import annotations

import pytest
from record_texts import SMALL

from bandkit.errors import RecordError
from bandkit.record import check_record, parse_record, raise_for_image, record_values

CORNERS = "[[90, 80], [930, 95], [905, 610], [110, 590]]"
LANDMARKS = "[{ here_px = [1, 2], there_px = [3, 4] }, { here_px = [50, 2], there_px = [90, 4] }, { here_px = [9, 90], there_px = [3, 70] }]"
PHOTOGRAPH = f'[photograph]\nrecord = "TB-07_photo.toml"\nlandmarks = {LANDMARKS}\n'


def parsed(scale="mm_per_px = 0.1", more="", kind="photograph"):
    text = SMALL.replace("mm_per_px = 0.1", scale).replace('"radiograph"', f'"{kind}"') + more
    return parse_record(text, "TB-07.toml")


def doubts(record):
    return {doubt.code for doubt in check_record(record)}


def test_a_ruler_and_two():
    one = parsed("ruler = { from_px = [60, 30], to_px = [62, 900], tick_mm = 1.0 }").scale.rulers
    assert (one[0].from_px, one[0].to_px, one[0].tick_mm) == ((60, 30), (62, 900), 1.0)
    assert parsed("ruler = {}").scale.rulers[0].tick_mm is None
    two = parsed("ruler = [{ within_px = [0, 0, 50, 900] }, { within_px = [0, 0, 900, 50] }]").scale.rulers
    assert [ruler.within_px for ruler in two] == [(0, 0, 50, 900), (0, 0, 900, 50)]


def test_four_corners_and_landmarks():
    rectify = parsed(f"rectify = {{ corners_px = {CORNERS}, width_mm = 150, height_mm = 100 }}").scale.rectify
    assert rectify.corners_px[2] == (905, 610)
    photograph = parsed(more=PHOTOGRAPH, kind="radiograph").photograph
    assert photograph.path.name == "TB-07_photo.toml"
    assert photograph.fit == "similarity"
    assert photograph.landmarks[1].there_px == (90, 4)


@pytest.mark.parametrize(("scale", "more", "message"), [
    ("mm_per_px = 0.1\nruler = {}", "", r"scale: more than one scale, ruler = a table and mm_per_px = 0\.1"),
    ("ruler = { from_px = [1, 2] }", "", r"scale\.ruler\.to_px: missing; give two places on the ticks, or neither"),
    ("ruler = { from_px = [1, 2], to_px = [1, 2] }", "", r"scale\.ruler\.to_px = \[1, 2\]: the same place as from_px"),
    ("ruler = { from_px = [1, 2], to_px = [1, 9], within_px = [0, 0, 9, 9] }", "", r"ruler\.within_px .* given beside two"),
    ("ruler = { tick_mm = 0 }", "", r"scale\.ruler\.tick_mm = 0: must be above 0 and at most 100"),
    ("ruler = [{}, {}, {}]", "", r"scale\.ruler = a list of 3: must be one ruler, or a list of two"),
    ("ruler = [{}, { unit = 1 }]", "", r"scale\.ruler\[2\]\.unit = 1: unknown key"),
    ("rectify = { corners_px = [[0, 0], [9, 0], [9, 9]], width_mm = 1, height_mm = 1 }", "", r"four corners, not 3"),
    ("rectify = { corners_px = [[0, 0], [9, 9], [9, 0], [0, 9]], width_mm = 1, height_mm = 1 }", "", r"do not go round"),
    (f"rectify = {{ corners_px = {CORNERS}, width_mm = 150 }}", "", r"scale\.rectify\.height_mm: missing"),
    ("mm_per_px = 0.1", '[photograph]\nrecord = "x.toml"\n', r"photograph\.landmarks: 0 given; at least 3 are needed"),
    ("mm_per_px = 0.1", PHOTOGRAPH.replace("TB-07_photo", "TB-07"), r"photograph\.record = .*: this record itself"),
    ("mm_per_px = 0.1", PHOTOGRAPH.replace("[50, 2]", "[1, 2]"), r"two landmarks have the same here_px, \[1\.0, 2\.0\]"),
    ("mm_per_px = 0.1", PHOTOGRAPH + 'fit = "rigid"', r'photograph\.fit = "rigid": .* write one of "similarity" \| "affine"'),
])
def test_what_is_refused(scale, more, message):
    with pytest.raises(RecordError, match=message):
        parsed(scale, more)


@pytest.mark.parametrize(("scale", "message"), [
    ("ruler = { from_px = [60, 30], to_px = [62, 900] }", r"scale\.ruler\.to_px: \[62\.0, 900\.0\] lies outside"),
    ("ruler = { within_px = [0, 0, 900, 90] }", r"scale\.ruler\.within_px: .* lies outside"),
    (f"rectify = {{ corners_px = {CORNERS}, width_mm = 150, height_mm = 100 }}", r"corners_px\[2\]: .* lies outside"),
])
def test_places_outside_the_picture(scale, message):
    with pytest.raises(RecordError, match=message):
        raise_for_image(parsed(scale), 500, 700)


def test_what_is_doubted():
    assert {"ruler-to-find", "ruler-unit-to-tell"} <= doubts(parsed("ruler = {}"))
    assert "ruler-unit-unusual" in doubts(parsed("ruler = { tick_mm = 10.0 }"))
    small = "rectify = { corners_px = [[0, 0], [90, 0], [90, 90], [0, 90]], width_mm = 10, height_mm = 10 }"
    assert "rectangle-small" in doubts(parsed(small))
    assert {"landmarks-few", "photograph-not-used"} <= doubts(parsed(more=PHOTOGRAPH))
    assert "photograph-not-used" not in doubts(parsed(more=PHOTOGRAPH, kind="radiograph"))


@pytest.mark.parametrize("scale", [
    "ruler = { from_px = [60, 30], to_px = [62, 900], tick_mm = 1.0 }", "ruler = [{}, { tick_mm = 0.5 }]",
    f"rectify = {{ corners_px = {CORNERS}, width_mm = 150, height_mm = 100 }}"])
def test_values_are_those_of_the_file(scale):
    values = record_values(parsed(scale, PHOTOGRAPH))
    assert set(values["scale"]) == {scale.split(" ")[0]}
    assert values["photograph"]["record"] == "TB-07_photo.toml"
    assert len(values["photograph"]["landmarks"]) == 3
