"""The record of a scan: its keys, its messages, what is doubtful about it."""

from __future__ import annotations

import pytest

from bandkit.errors import RecordError
from bandkit.record import (
    BodySpec,
    VolumeSpec,
    check_record,
    parse_record,
    raise_for_image,
    raise_for_volume,
    record_values,
)

SCAN = """\
record = 1
[specimen]
id = "TB-31"
[image]
file = "TB-31_ct"
kind = "ct"
[volume]
points_px = [[60, 50, 4.5], [62, 50, 140], [90, 50, 4.5]]
thickness_mm = 5.0
[density]
standards = [
  { centre_px = [12, 12], radius_px = 6, slices = [20, 120], material = "aragonite", density_g_cm3 = 1.55 },
  { box_px = [4, 90, 12, 98], slices = [20, 120], material = "air" },
]
[[track]]
name = "A"
points_px = [[80, 10], [80, 200]]
"""


def parse(text=SCAN):
    return parse_record(text, "TB-31.toml")


def changed(old, new, text=SCAN):
    assert old in text
    return text.replace(old, new, 1)


def codes(text):
    return {doubt.code: doubt for doubt in check_record(parse(text))}


def test_scan_needs_no_scale_and_no_thickness_of_standards():
    record = parse()
    assert record.volume == VolumeSpec(points_px=((60, 50, 4.5), (62, 50, 140), (90, 50, 4.5)), thickness_mm=5.0)
    assert record.image.values == "hounsfield"
    assert record.scale.from_file
    assert record.density is not None
    assert record.density.standards == ()
    assert record.density.bodies[0] == BodySpec(material="aragonite", density_g_cm3=1.55, centre_px=(12, 12), radius_px=6, slices=(20, 120))
    assert record.density.bodies[1].box_px == (4, 90, 12, 98)
    assert record.density.curve == "linear"


def test_further_keys():
    text = changed("thickness_mm = 5.0", "thickness_mm = 0\nvoxel_mm = [0.4, 0.4, 0.6]\npx_mm = 0.3\nseries = 4")
    text = changed("[density]", '[scale]\nsource = "file"\nsd_frac = 0.01\n[density]\ncurve = "quadratic"', text)
    record = parse(text)
    assert record.volume is not None
    assert (record.volume.voxel_mm, record.volume.px_mm, record.volume.series) == ((0.4, 0.4, 0.6), 0.3, 4)
    assert record.scale.sd_frac == 0.01
    assert record.density is not None
    assert record.density.curve == "quadratic"


@pytest.mark.parametrize("text", [SCAN, changed("[density]", '[density]\ncurve = "quadratic"')])
def test_values_go_back_to_the_file_they_came_from(text):
    import tomlkit

    values = record_values(parse(text))
    assert [sorted(entry) for entry in values["density"]["standards"]] == [
        ["centre_px", "density_g_cm3", "material", "radius_px", "slices"], ["box_px", "material", "slices"]]
    assert parse(tomlkit.dumps(values)) == parse(text)


@pytest.mark.parametrize(("old", "new", "message"), [
    ('kind = "ct"', 'kind = "radiograph"', r'volume\.points_px = a list of 3: only kind = "ct" is cut out of a volume, not "radiograph"; delete \[volume\]'),
    ('kind = "ct"', 'kind = "ct"\nvalues = "intensity"', r'values = "intensity" does not fit a scan, .* write values = "hounsfield" in \[image\], or delete it'),
    ('kind = "ct"', 'kind = "ct"\ndense = "dark"', r'image\.dense = "dark": Hounsfield values rise with density'),
    (", [90, 50, 4.5]]", "]", r"volume\.points_px = a list of 2: 2 points, and a plane takes three; write points_px = \[\[256"),
    ("[90, 50, 4.5]", "[90, 50]", r"volume\.points_px.*: entry 3: \[90, 50\] is not a row of 3 numbers"),
    ("[90, 50, 4.5]", '[90, 50, "4"]', r"entry 3: \"4\", a number in quotes"),
    ("points_px = [[60, 50, 4.5], [62, 50, 140], [90, 50, 4.5]]\n", "", r"volume\.points_px: missing; write points_px"),
    ("thickness_mm = 5.0\n", "", r"volume\.thickness_mm: missing; write thickness_mm = 5\.0"),
    ("thickness_mm = 5.0", "thickness_mm = 500", r"volume\.thickness_mm = 500: must be between 0 and 100"),
    ("thickness_mm = 5.0", "thickness_mm = 5.0\nvoxel_mm = 0.4", r"volume\.voxel_mm = 0\.4: not a row of 3 numbers; write voxel_mm = \[0\.4, 0\.4, 0\.6\]"),
    ("thickness_mm = 5.0", "thickness_mm = 5.0\nvoxel_mm = [0.4, 0, 0.6]", r"volume\.voxel_mm = \[0\.4, 0, 0\.6\]: each side must be above 0 and at most 10"),
    ("thickness_mm = 5.0", "thickness_mm = 5.0\nseries = 1.5", r"volume\.series = 1\.5: not a whole number"),
    ("thickness_mm = 5.0", "thickness_mm = 5.0\npx_mm = 0", r"volume\.px_mm = 0: must be above 0"),
    ("thickness_mm = 5.0", "thickness = 5.0", r"volume\.thickness = 5\.0: unknown key; the nearest known key is thickness_mm"),
    ("[density]", "[scale]\nmm_per_px = 0.1\n[density]", r"scale\.mm_per_px = 0\.1: a slab cut out of a volume takes its scale from the voxels; delete it, or write source"),
    ("slices = [20, 120], material = \"air\"", 'material = "air"', r"density\.standards\[2\]\.slices: missing; write slices = \[100, 140\]"),
    ("slices = [20, 120], material = \"air\"", 'slices = [120, 20], material = "air"', r"density\.standards\[2\]\.slices = \[120, 20\]: must be the first and the last one, two whole numbers from 0 on"),
    ("radius_px = 6, ", "", r"density\.standards\[1\]\.radius_px: missing; a cylinder takes both"),
    ("centre_px = [12, 12], ", "", r"density\.standards\[1\]\.centre_px: missing; a cylinder takes both"),
    ("centre_px = [12, 12], radius_px = 6, ", "", r"density\.standards\[1\]\.box_px: missing; write box_px = .*, or centre_px and radius_px"),
    ("centre_px = [12, 12]", "box_px = [1, 2, 3, 4], centre_px = [12, 12]", r"density\.standards\[1\]\.box_px = .*: given beside centre_px; keep one of them"),
    ('material = "air"', 'material = " "', r"density\.standards\[2\]\.material = \" \": empty"),
    ("[density]", '[density]\ncurve = "cubic"', r'density\.curve = "cubic": not one of the choices; write one of "linear" \| "quadratic"'),
])
def test_wrong_keys(old, new, message):
    with pytest.raises(RecordError, match=message) as caught:
        parse(changed(old, new))
    assert str(caught.value).startswith("TB-31.toml: ")
    assert "\n" not in str(caught.value)


def test_single_slice_of_a_scan():
    single = SCAN[: SCAN.index("[volume]")] + 'values = "hounsfield"\n[scale]\nsource = "file"\n' + SCAN[SCAN.index("[density]"):]
    with pytest.raises(RecordError, match=r"density\.standards\[1\]\.slices = \[20, 120\]: a single slice has no others; delete it"):
        parse(single)
    single = single.replace("slices = [20, 120], ", "")
    record = parse(single)
    assert record.density is not None
    assert record.density.bodies[0].slices is None
    raise_for_image(record, 130, 220)
    with pytest.raises(RecordError, match=r"density\.standards\[2\]: \[4.*, 90.*, 12.*, 98.*\] lies outside the image of 130 x 95 px"):
        raise_for_image(parse(single.replace("[80, 200]", "[80, 90]")), 130, 95)


@pytest.mark.parametrize("key", ["centre_px = [9, 9]", "radius_px = 4", "slices = [1, 2]"])
def test_radiograph_has_no_bodies(key):
    text = ('record = 1\n[specimen]\nid = "TB-07"\n[image]\nfile = "a.tif"\nkind = "radiograph"\n[scale]\nmm_per_px = 0.1\n[density]\n'
            f'standards = [{{ box_px = [1, 1, 9, 9], material = "aragonite", thickness_mm = 2.0, {key} }}]\n')
    with pytest.raises(RecordError, match=r"has a meaning in a scan of values = \"hounsfield\" only; give box_px and thickness_mm"):
        parse(text)


def test_curve_of_a_radiograph():
    text = 'record = 1\n[specimen]\nid = "TB-07"\n[image]\nfile = "a.tif"\nkind = "radiograph"\n[scale]\nmm_per_px = 0.1\n[density]\ncurve = "linear"\n'
    with pytest.raises(RecordError, match=r'density\.curve = "linear": has a meaning with values = "hounsfield" only; delete it'):
        parse(text)


@pytest.mark.parametrize(("old", "new", "message"), [
    ("[62, 50, 140]", "[62, 50, 150]", r"volume\.points_px\[2\]: \[62, 50, 150\] lies outside the volume of 132 x 120 x 150 voxels"),
    ("centre_px = [12, 12]", "centre_px = [4, 12]", r"density\.standards\[1\]: \[-2, 6, 20\] lies outside the volume"),
    ("slices = [20, 120], material = \"air\"", 'slices = [20, 150], material = "air"', r"density\.standards\[2\]: \[11\.5, 97\.5, 150\] lies outside the volume"),
])
def test_places_outside_the_volume(old, new, message):
    raise_for_volume(parse(), (132, 120, 150))
    with pytest.raises(RecordError, match=message) as caught:
        raise_for_volume(parse(changed(old, new)), (132, 120, 150))
    assert caught.value.reason == "outside-image"


def test_doubts_of_a_scan():
    doubts = codes(SCAN)
    assert "no-standards" not in doubts
    assert "scale-from-file-tags" not in doubts
    assert "dense-not-stated" not in doubts
    assert "no-thickness" not in doubts
    assert doubts["few-standards"].message.startswith("2 in all leave nothing to check a linear curve with")
    assert "cut-thickness-unusual" not in doubts
    assert "20 mm: thin slabs show pores" in codes(changed("thickness_mm = 5.0", "thickness_mm = 20"))["cut-thickness-unusual"].message
    assert codes(changed("radius_px = 6", "radius_px = 2"))["patch-small"].key == "density.standards[1].radius_px"
    assert "no-standards" in codes(SCAN[: SCAN.index("[density]")] + SCAN[SCAN.index("[[track]]"):])


def test_folder_of_slices_without_a_volume(tmp_path):
    from bandkit.record import read_record

    (tmp_path / "TB-31_ct").mkdir()
    (tmp_path / "a.toml").write_text(SCAN[: SCAN.index("[volume]")] + '[scale]\nsource = "file"\n')
    with pytest.raises(RecordError, match=r'image\.file = "TB-31_ct": is a folder; write \[volume\] with points_px and thickness_mm to cut'):
        read_record(tmp_path / "a.toml")
    (tmp_path / "b.toml").write_text(SCAN)
    assert read_record(tmp_path / "b.toml").image.path == (tmp_path / "TB-31_ct").resolve()
