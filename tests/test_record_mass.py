"""Thickness by points and maps, and the balance, in the slab record."""

import datetime
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from record_texts import FULL, SMALL, changed

from bandkit.errors import RecordError
from bandkit.record import (
    BulkSpec,
    ThicknessPointSpec,
    check_record,
    parse_record,
    raise_for_image,
    read_record,
    record_values,
)

PATH = Path("TB-07.toml")
TODAY = datetime.date(2026, 11, 25)
ONE = "slab_thickness_mm = 6.5\nslab_thickness_sd_mm = 0.1\n"
POINTS = "thickness_points = [{ at_px = [362, 900], thickness_mm = 6.4 }, { at_px = [360, 3000], thickness_mm = 6.9 }]\n"
MAP = 'thickness_map = { file = "TB-07_thickness.tif", mm_per_grey = 0.001 }\n'
WAXED = ("dry_g = 100.0\ncoated_g = 104.5\ncoated_buoyant_g = 26.0\ncoat_density_g_cm3 = 0.9\nwater_deg_c = 20.0\n"
         "salinity_psu = 0.0\nmicro_density_g_cm3 = 2.8\n")


def parse(text):
    return parse_record(text, PATH, today=TODAY)


def with_thickness(lines):
    return changed(ONE, lines)


def with_bulk(lines):
    return changed("[dating]\n", f"[bulk]\n{lines}\n[dating]\n")


def doubt_codes(record):
    return [doubt.code for doubt in check_record(record)]


# --- thickness ------------------------------------------------------------------------


def test_thickness_by_points():
    density = parse(with_thickness(POINTS)).density
    assert density.thickness_points == (ThicknessPointSpec(at_px=(362.0, 900.0), thickness_mm=6.4),
                                        ThicknessPointSpec(at_px=(360.0, 3000.0), thickness_mm=6.9))
    assert density.slab_thickness_mm is None
    assert density.has_thickness


def test_thickness_by_a_map_is_found_from_the_records_folder():
    density = parse(with_thickness(MAP)).density
    assert density.thickness_map.mm_per_grey == 0.001
    assert density.thickness_map.path == (Path.cwd() / "TB-07_thickness.tif").resolve()


@pytest.mark.parametrize(("lines", "match"), [
    (ONE + POINTS, r"density.thickness_points = a list of 2: given beside slab_thickness_mm; keep the one that was measured best"),
    (POINTS + MAP, "density.thickness_map = a table: given beside thickness_points; keep the one"),
    ("thickness_points = [{ at_px = [1, 2] }]\n", r"density.thickness_points\[1\].thickness_mm: missing; write thickness_mm = 6.4"),
    ("thickness_points = [{ at_px = [1, 2], thickness_mm = 0 }]\n", r"thickness_points\[1\].thickness_mm = 0: must be above 0"),
    ("thickness_points = [{ thickness_mm = 6 }]\n", r"density.thickness_points\[1\].at_px: missing; write at_px = \[362, 900\]"),
    ("thickness_points = [[1, 2, 6.5]]\n", r"density.thickness_points = a list of 1: not a list of tables; write it as"),
    ('thickness_map = { file = " ", mm_per_grey = 1 }\n', 'density.thickness_map.file = " ": empty; write file = "TB-07_thickness.tif"'),
    ('thickness_map = { file = "a.tif" }\n', "density.thickness_map.mm_per_grey: missing; write mm_per_grey = 0.001"),
    ('thickness_map = { file = "a.tif", mm_per_gray = 1 }\n', "density.thickness_map.mm_per_gray = 1: unknown key; the nearest known key is "
                                                              "mm_per_grey"),
])
def test_a_wrong_thickness_is_told(lines, match):
    with pytest.raises(RecordError, match=f"TB-07.toml: .*{match}"):
        parse(with_thickness(lines))


def test_a_point_outside_the_image():
    raise_for_image(parse(with_thickness(POINTS)), 1200, 4000)
    match = r"density.thickness_points\[2\].at_px: \[1360.0, 3000.0\] lies outside the image of 1200 x 4000 px"
    with pytest.raises(RecordError, match=match):
        raise_for_image(parse(with_thickness(POINTS.replace("360, 3", "1360, 3"))), 1200, 4000)


def test_doubts_about_thickness():
    assert "few-thickness-points" in doubt_codes(parse(with_thickness(POINTS)))
    assert "no-thickness-sd" not in doubt_codes(parse(with_thickness(POINTS)))
    assert "no-thickness-sd" in doubt_codes(parse(with_thickness(MAP)))
    assert "thickness-unusual" in doubt_codes(parse(with_thickness(POINTS.replace("6.9", "69"))))
    assert "no-thickness" in doubt_codes(parse(with_thickness("")))
    assert "no-thickness" not in doubt_codes(parse(with_thickness(POINTS)))


def test_the_map_must_be_there(tmp_path):
    (tmp_path / "TB-07_xray.tif").write_bytes(b"II*\0")
    path = tmp_path / "TB-07.toml"
    path.write_text(with_thickness(MAP))
    with pytest.raises(RecordError, match=r"density.thickness_map.file = \"TB-07_thickness.tif\": no such file in"):
        read_record(path)
    (tmp_path / "TB-07_thickness.tif").write_bytes(b"II*\0")
    assert read_record(path).density.thickness_map is not None


# --- balance --------------------------------------------------------------------------


def test_the_balance_is_read():
    assert parse(with_bulk(WAXED)).bulk == BulkSpec(
        dry_g=100.0, coated_g=104.5, coated_buoyant_g=26.0, coat_density_g_cm3=0.9, water_deg_c=20.0, salinity_psu=0.0,
        micro_density_g_cm3=2.8)
    assert parse(FULL).bulk is None


BOX = "dry_g = 130.0\nvolume_cm3 = 100.0\n"


@pytest.mark.parametrize(("lines", "match"), [
    ("dry_g = 130.0\n", "bulk.volume_cm3: missing; write volume_cm3 = 141.2"),
    ("volume_cm3 = 100.0\n", "bulk.dry_g: missing; write dry_g = 182.40"),
    ("volume_cm3 = 100.0\nbuoyant_g = 60.0\nwater_deg_c = 20\n", "bulk.micro_density_g_cm3: missing; without dry_g, buoyant_g needs"),
    (BOX + "coated_buoyant_g = 5.0\n", "bulk.coated_buoyant_g = 5.0: given beside volume_cm3; keep the one that was measured best"),
    (WAXED.replace("coated_g = 104.5\n", ""), "bulk.coated_g: missing; write coated_g = 190.15"),
    (WAXED.replace("coat_density_g_cm3 = 0.9\n", ""), "bulk.coat_density_g_cm3: missing; write coat_density_g_cm3 = 0.90"),
    (WAXED.replace("water_deg_c = 20.0\n", ""), "bulk.water_deg_c: missing; coated_buoyant_g needs the water's temperature, or"),
    (WAXED + "water_density_g_cm3 = 1.02\n", "bulk.water_density_g_cm3 = 1.02: given beside water_deg_c; keep the one"),
    (BOX + "buoyant_g = 131.0\nwater_deg_c = 20\n", r"bulk.buoyant_g = 131.0: must be below dry_g = 130.0; correct one of them"),
    (WAXED.replace("26.0", "126.0"), "bulk.coated_buoyant_g = 126.0: must be below coated_g = 104.5; correct one of them"),
    (WAXED.replace("104.5", "94.5"), "bulk.coated_g = 94.5: must be at least dry_g = 100.0; correct one of them"),
    (BOX.replace("130.0", "-1"), "bulk.dry_g = -1: must be above 0; write dry_g = 182.40"),
    (WAXED.replace("20.0", "60.0"), "bulk.water_deg_c = 60.0: must be between -2 and 40"),
    (BOX + "micro_density_g_cm3 = 29.3\n", "bulk.micro_density_g_cm3 = 29.3: must be between 2 and 3"),
    (BOX + 'track = "C"\n', 'bulk.track = "C": no track of that name; write one of "A", "B"'),
    (BOX + 'track = "A"\npolygon_px = [[1, 1], [9, 1], [9, 9]]\n', "bulk.polygon_px = a list of 3: given beside track; keep the one"),
    (BOX + "polygon_px = [[1, 1], [9, 1]]\n", "bulk.polygon_px = a list of 2: an outline needs at least three corners"),
    (BOX + "volume_ml = 3\n", r"bulk.volume_ml = 3: unknown key; the nearest known key is volume_cm3 \(in cubic centimetres\)"),
])
def test_a_wrong_weighing_is_told(lines, match):
    with pytest.raises(RecordError, match=f"TB-07.toml: {match}"):
        parse(with_bulk(lines))


def test_doubts_about_the_balance():
    assert {"no-volume-sd", "no-micro-density"} <= set(doubt_codes(parse(with_bulk(BOX))))
    waxed = set(doubt_codes(parse(with_bulk(WAXED.replace("salinity_psu = 0.0\n", "")))))
    assert "no-salinity" in waxed
    assert not {"no-volume-sd", "no-micro-density"} & waxed
    bare = parse(changed("kind = \"radiograph\"\n", f"kind = \"radiograph\"\n[bulk]\n{BOX}", SMALL))
    assert "bulk-not-compared" in doubt_codes(bare)


weights = st.floats(1, 500)


@settings(deadline=None, max_examples=40)
@given(weights, weights, st.none() | st.floats(2.0, 3.0), st.none() | st.floats(0, 1), st.sampled_from(["", "A", "B"]))
def test_a_weighing_survives_its_file(dry, volume, micro, sd, track):
    record = parse(with_bulk(BOX))
    lines = f"dry_g = {dry!r}\nvolume_cm3 = {volume!r}\n"
    lines += "" if micro is None else f"micro_density_g_cm3 = {micro!r}\n"
    lines += "" if sd is None else f"volume_sd_cm3 = {sd!r}\n"
    lines += f'track = "{track}"\n' if track else ""
    record = parse(with_bulk(lines))
    assert parse(tomlkit.dumps(record_values(record))) == record


@pytest.mark.parametrize("lines", [POINTS, MAP])
def test_thickness_survives_its_file(lines):
    record = parse(with_thickness(lines))
    assert parse(tomlkit.dumps(record_values(record))) == record
