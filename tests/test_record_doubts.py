"""What is missing or doubtful in a record, one reason code a line."""

from __future__ import annotations

import datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from record_texts import FULL, SMALL, changed

from bandkit.flags import Flag
from bandkit.record import check_record, parse_record
from bandkit.record.doubts import stated_mm_px

TODAY = datetime.date(2025, 1, 1)

PHOTOGRAPH = changed('kind = "radiograph"', 'kind = "photograph"', SMALL)
CT = changed('kind = "radiograph"', 'kind = "ct"', SMALL)


def parse(text: str):
    return parse_record(text, Path("TB-07.toml"), today=TODAY)


def doubts(text: str, header=None) -> dict[str, tuple[str, str]]:
    found = check_record(parse(text), header)
    assert all(doubt.message and "\n" not in doubt.message for doubt in found)
    return {doubt.code: (doubt.key, doubt.message) for doubt in found}


def header(**changes):
    values = {"width_px": 1000, "height_px": 3600, "bits": 16, "channels": 1, "resolution_mm_px": None, "spacing_at": "tags",
              "magnification": None, "notes": ()}
    return SimpleNamespace(**{**values, **changes})


def test_a_careful_record_leaves_only_what_is_in_its_nature():
    careful = changed("# sd_frac = 0.002", "source_to_detector_mm = 1000\nslab_to_detector_mm = 5")
    careful = changed("spacing_mm = 11.0\n", "", changed("thickness_mm = 1.0,", "thickness_mm = 1.5,", careful))
    careful = changed("blind = false", "blind = true", careful)
    assert set(doubts(careful, header())) == {"gap"}


def test_a_bare_record_is_asked_for_all_that_is_missing():
    assert list(doubts(SMALL)) == [
        "no-taxon",
        "no-position",
        "no-collection-date",
        "top-not-stated",
        "dense-not-stated",
        "scale-no-magnification",
        "no-standards",
        "no-mark",
        "no-mark-date",
        "no-track",
    ]
    assert doubts(SMALL)["dense-not-stated"] == (
        "image.dense",
        'not said how dense skeleton is shown; write dense = "bright" or "dark"',
    )


@pytest.mark.parametrize(
    ("old", "new", "code", "key", "part"),
    [
        ("longitude_deg = 46.2", "", "no-position", "specimen.longitude_deg", "no position is given"),
        ("latitude_deg = -9.4\nlongitude_deg = 46.2", "latitude_deg = 0\nlongitude_deg = 0", "position-zero", "specimen.latitude_deg", "both 0"),
        ("top_alive = true", "top_alive = false", "floating", "specimen.top_alive", "counted, not dated"),
        ('dense = "bright"', "", "dense-not-stated", "image.dense", "not said"),
        ("bar = { from_px = [980, 230], to_px = [982, 730], length_mm = 50.0 }", 'source = "file"', "scale-from-file-tags", "scale.source", "often wrong"),
        ("from_px = [980, 230], to_px = [982, 730], ", "", "bar-to-find", "scale.bar", "will look for them"),
        ("[982, 730]", "[980, 330]", "bar-short", "scale.bar", "only 100 px long: an end misplaced by 1 px is 1.0 percent"),
        ("length_mm = 50.0", "length_mm = 5000.0", "scale-unusual", "scale.bar", "10 x 10 mm per pixel is unusual"),
        ("# sd_frac = 0.002", "slab_to_detector_mm = 5", "magnification-incomplete", "scale.source_to_detector_mm", "cannot be used alone"),
        ("# sd_frac = 0.002", "source_to_detector_mm = 5", "magnification-incomplete", "scale.slab_to_detector_mm", "cannot be used alone"),
        ("slab_thickness_mm = 6.5", "", "no-thickness", "density.slab_thickness_mm", "extension only"),
        ("slab_thickness_mm = 6.5", "slab_thickness_mm = 65", "thickness-unusual", "density.slab_thickness_mm", "65 mm is unusual"),
        ("slab_thickness_sd_mm = 0.1", "", "no-thickness-sd", "density.slab_thickness_sd_mm", "leaves out the thickness"),
        ("  { box_px = [840, 320, 940, 370], material = \"aragonite\", thickness_mm = 5.0 }, # thick\n", "", "few-standards", "density.standards", "2 in all"),
        ("thickness_mm = 5.0", "thickness_mm = 3.0", "standards-do-not-span", "density.standards", "from 0.29 to 0.88 g/cm2, a slab of 6.5 mm from about 0.65 to 1.17"),
        ("[840, 260, 940, 310]", "[840, 240, 940, 310]", "patches-overlap", "density.standards[2].box_px", "overlaps density.standards[1].box_px"),
        ("[[700, 50, 760, 150]]", "[[700, 50, 705, 55]]", "patch-small", "density.open_beam_px[1]", "smaller than 100 pixels"),
        ("[[700, 50, 760, 150]]", "[[400, 50, 500, 250]]", "patch-on-track", "density.open_beam_px[1]", "track[2] runs through it"),
        ("spacing_mm = 11.0", "spacing_mm = 110", "spacing-unusual", "dating.spacing_mm", "110 mm a year is unusual"),
        ("spacing_mm = 11.0", "spacing_mm = 11.0", "spacing-from-record", "dating.spacing_mm", "steers"),
        ('mark = "density maximum"', "", "no-mark", "dating.mark", "not said"),
        ('mark = "density maximum"', 'mark = "luminescent line"', "mark-unusual", "dating.mark", "unusual in a radiograph"),
        ('mark_date = "09-12"', "", "no-mark-date", "dating.mark_date", "shifted by one"),
        ('[[track]]\nname = "B"\npoints_px = [[460, 160], [471, 3550]]\n', "", "single-track", "track", "second one"),
        ("# follow_mm = 50.0", "follow_mm = 3.0", "follow-narrow", "track[1].follow_mm", "narrower than width_mm"),
        ("blind = false", "blind = false", "reading-not-blind", "reading[1].blind", "r1 saw earlier marks"),
        ('marks = [ { at_px = [361, 290], certainty = "doubtful" }, { at_px = [361.5, 400.25] } ]', "", "reading-empty", "reading[1].marks", "not used"),
        ('dye = "alizarin red S"', "", "no-dye", "stain[1].dye", "colour"),
        ("collected = 2019-06-15", "", "stain-without-collection", "stain[1].date", "is not known"),
        ("date = 2016-06-02", "date = 2019-05-02", "interval-short", "stain", "under 60 days"),
        ("[[gap]]", "[[gap]]", "gap", "gap[1]", "lost in a gap"),
    ],
)  # fmt: skip
def test_each_doubt_names_its_key(old, new, code, key, part):
    found = doubts(changed(old, new))
    assert found[code][0] == key
    assert part in found[code][1]
    if old != new:
        assert code not in doubts(FULL) or doubts(FULL)[code][1] != found[code][1]


def test_patches_that_only_touch_do_not_overlap():
    assert "patches-overlap" not in doubts(changed("[840, 260, 940, 310]", "[840, 250, 940, 310]"))


def test_a_track_that_passes_beside_a_patch_is_fine():
    # The corner of this box reaches over the rectangle round the track, not over the track itself.
    assert "patch-on-track" not in doubts(changed("[[700, 50, 760, 150]]", "[[466, 160, 500, 300]]"))


def test_the_energy_is_asked_for_where_a_standard_is_no_carbonate():
    aluminium = changed('material = "aragonite", thickness_mm = 2.0', 'material = "aluminium", thickness_mm = 2.0')
    assert "no-energy" not in doubts(aluminium)
    found = doubts(changed("effective_kev = 45.0", "", aluminium))
    assert "aluminium is not calcium carbonate" in found["no-energy"][1]
    assert "standards-do-not-span" not in found


def test_photographs_carry_no_density():
    found = doubts(PHOTOGRAPH + "[density]\nslab_thickness_mm = 6.0\n")
    assert found["density-not-used"] == ("density", "a photograph carries no density; delete it")
    assert found["no-stain"][0] == "stain"
    assert not {"no-standards", "no-mark", "no-mark-date", "dense-not-stated"} & set(found)
    dense = changed('"photograph"', '"photograph"\ndense = "dark"', PHOTOGRAPH)
    assert doubts(dense)["dense-not-used"][0] == "image.dense"


def test_ct_values():
    assert "ct-values" in doubts(CT)
    hounsfield = changed('"ct"', '"ct"\nvalues = "hounsfield"', CT) + "[density]\n"
    found = doubts(hounsfield)
    assert not {"ct-values", "dense-not-stated", "no-thickness", "scale-no-magnification"} & set(found)


def test_the_image_header_adds_its_doubts():
    note = Flag(code="first-page-used", detail="page 1 of 3")
    found = doubts(FULL, header(bits=8, channels=3, notes=(note,)))
    assert found["first-page-used"] == ("image.file", note.sentence)
    assert found["eight-bit"][0] == "image.file"
    assert found["xray-in-colour"][0] == "image.file"
    stained = PHOTOGRAPH + "[[stain]]\ndate = 2016-06-02\n"
    assert "stain-in-grey" in doubts(stained, header(bits=8))
    assert "stain-in-grey" not in doubts(stained, header(bits=8, channels=3))
    assert "eight-bit" not in doubts(stained, header(bits=8))


def test_the_files_own_resolution():
    from_file = changed("mm_per_px = 0.1", 'source = "file"', SMALL)
    assert doubts(from_file, header())["no-file-resolution"][0] == "scale.source"
    assert "no-file-resolution" not in doubts(from_file, header(resolution_mm_px=(0.1, 0.1)))
    assert doubts(from_file, header(resolution_mm_px=(25.4, 25.4)))["scale-unusual"][0] == "scale.source"


def test_a_slab_of_impossible_size():
    assert "scale-unusual" not in doubts(SMALL, header())
    found = doubts(changed("mm_per_px = 0.1", "mm_per_px = 0.002", SMALL), header())
    assert found["scale-unusual"] == ("scale.mm_per_px", "the image would be 2 x 7.2 mm; check the length and its unit")


def test_scale_stated_in_the_record():
    assert stated_mm_px(parse(SMALL)) == (0.1, 0.1)
    x, y = stated_mm_px(parse(changed("[982, 730]", "[980, 730]")))
    assert (x, y) == (0.1, 0.1)
    assert stated_mm_px(parse(changed("mm_per_px = 0.1", "bar.length_mm = 5", SMALL))) is None
    from_file = parse(changed("mm_per_px = 0.1", 'source = "file"', SMALL))
    assert stated_mm_px(from_file) is None
    assert stated_mm_px(from_file, header(resolution_mm_px=(0.1, 0.2))) == (0.1, 0.2)
