"""What goes wrong in a laboratory: a clear line, the right exit status, nothing half-written, and no confident nonsense.

Each case goes through `bandkit.pipeline.measure` and through the command line.
"""

from __future__ import annotations

import csv
import errno
import io
import os
import re
import signal
import struct
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from bad_files import DENSITY_G_CM3, FULL_SCALE, RECORD, Bands, changed, put, radiograph, run, tree
from image_files import chunk, deflate_bomb
from PIL import Image

from bandkit.errors import BandkitError
from bandkit.pipeline import measure

BATCH_FILES = ["events.csv", "growth.csv", "index.html", "marks.csv", "rejected.csv", "stain.csv", "tracks.csv"]
SPACING_MM, N_YEARS = 9.0, 9
BAR = "bar = { from_px = [40, 199.5], to_px = [40, 699.5], length_mm = 50.0 }"
POINTS = "points_px = [[280, 50], [280, 1010]]"
STAIN_AFTER = '\n[[stain]]\ndate = 2019-06-01\ndye = "alizarin red S"\n'
NO_DENSITY = re.sub(r"\[density\].*?\n\]\n", "", RECORD, flags=re.DOTALL)


@pytest.fixture(scope="module")
def plate() -> np.ndarray:
    """A radiograph as it should be."""
    image = radiograph()
    image.flags.writeable = False
    return image


@pytest.fixture(scope="module")
def floats(plate):
    """The same as floating-point greys from 0 to 1."""
    return (plate / FULL_SCALE).astype(np.float32)


@pytest.fixture
def no_figure(monkeypatch):
    """Drawing takes most of the time of writing a slab and is tested elsewhere."""
    monkeypatch.setattr("bandkit.output.figure.slab_figure", lambda _result: None)
    monkeypatch.setattr("bandkit.output.figure.png_bytes", lambda _figure: b"png")


def refuse(record: Path, status: int, message: str, *, names: Path | None = None) -> None:
    """Both ways in say the same in one line; the command ends with the status and leaves nothing half-written."""
    with pytest.raises(BandkitError, match=message) as caught:
        measure(record)
    assert caught.value.exit_code == status
    assert "\n" not in str(caught.value)
    out = record.parent / "out"
    result = run("measure", record, "--out", out)
    assert result.exit_code == status
    assert result.stderr.startswith(f"bandkit: {caught.value.reason}: ")
    assert result.stderr.count("\n") == 1
    assert re.search(message, result.stderr)
    assert tree(out) == BATCH_FILES
    with (out / "rejected.csv").open(encoding="utf-8") as file:
        assert [(row["record"], row["reason"]) for row in csv.DictReader(file)] == [
            (record.name, caught.value.reason)]
    if names is not None:
        assert str(names) in result.stderr


def codes(result, track: str | None = None) -> set[str]:
    """Codes of all flags, or of one track's."""
    return {flag.code for flag in result.flags if track is None or flag.track == track}


def holding(values: np.ndarray, rows: slice, columns: slice, value: float) -> np.ndarray:
    """A copy with one value over a box."""
    copy = values.copy()
    copy[rows, columns] = value
    return copy


def boxes(place) -> str:
    """The record with the standards' boxes where ``place(i)`` puts the i-th."""
    number = iter(range(100))
    return re.sub(r"box_px = \[[^\]]*\]", lambda _: f"box_px = {place(next(number))}", RECORD)


def check_good(result) -> None:
    """Everything as on an unspoilt plate."""
    assert result.tracks.years.tolist() == [N_YEARS]
    assert result.tracks.mean_extension_mm_yr[0] == pytest.approx(SPACING_MM, rel=0.01)
    assert result.tracks.mean_density_g_cm3[0] == pytest.approx(DENSITY_G_CM3, abs=0.03)


def test_the_unspoilt_plate_is_measured_without_serious_doubt(tmp_path, plate):
    result = measure(put(tmp_path, plate))
    check_good(result)
    # The newest mark of this plate lies 3 mm deep, and some of its texture may look like borings.
    assert codes(result) <= {"mark-in-tissue", "holes-left-out"}


# ---- files that are no pictures


def tiff_bytes(values: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, values, photometric="minisblack", metadata=None)
    return buffer.getvalue()


@pytest.mark.parametrize("share", [0.02, 0.5, 0.999])
def test_truncated_image(tmp_path, plate, share):
    content = tiff_bytes(plate)
    record = put(tmp_path, content[: int(share * len(content))])
    refuse(record, 3, "the file ends before the part of the image that is needed; copy it again", names=tmp_path / "TB-31.tif")


@pytest.mark.parametrize(("content", "message"), [
    (b"", r"the file is empty \(0 bytes\); copy it again"),
    (b"depth_mm,value\n0,1\n", "this is no image known here .*; save the picture as TIFF, PNG or JPEG")])
def test_file_that_is_no_image(tmp_path, content, message):
    refuse(put(tmp_path, content), 3, message, names=tmp_path / "TB-31.tif")


def test_image_bombs(tmp_path):
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 200_000, 200_000, 8, 0, 0, 0, 0))
    png = b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", b"") + chunk(b"IEND", b"")
    refuse(put(tmp_path / "png", png), 3, "the file declares 200000 x 200000 px, more than the .* that are read")
    text = changed((POINTS, "points_px = [[8, 1], [8, 15]]"), (BAR, "mm_per_px = 0.1"), text=NO_DENSITY)
    record = put(tmp_path / "tiff", deflate_bomb(tmp_path / "bomb.tif", 200_000_000), text)
    refuse(record, 3, "has an impossible length", names=tmp_path / "tiff" / "TB-31.tif")


@pytest.mark.parametrize("values", [
    np.zeros((1080, 560), np.uint16), np.full((1080, 560), 30000, np.uint16), np.full((1080, 560), FULL_SCALE, np.uint16),
    np.full((1080, 560), np.nan, np.float32)], ids=["black", "grey", "white", "nan"])
def test_blank_image(tmp_path, values):
    refuse(put(tmp_path, values), 4, "the image is blank .*; export it again without windowing", names=tmp_path / "TB-31.tif")


# ---- greys that are no greys


def test_nan_patch_on_the_track_hides_its_place_only(tmp_path, floats):
    result = measure(put(tmp_path, holding(floats, slice(500, 540), slice(240, 320), np.nan)))
    check_good(result)
    assert "missing-values" in codes(result)
    assert [flags for flags in result.growth.flags if "masked-part" in flags] == ["masked-part"]


@pytest.mark.parametrize(("rows", "columns"), [(slice(0, 1080), slice(0, 20)), (slice(0, 70), slice(0, 560))])
def test_nan_border_does_no_harm(tmp_path, floats, rows, columns):
    result = measure(put(tmp_path, holding(floats, rows, columns, np.nan)))
    check_good(result)
    assert "missing-values" in codes(result)


def test_nan_on_a_standard_names_its_box(tmp_path, floats):
    record = put(tmp_path, holding(floats, slice(262, 318), slice(482, 538), np.nan))
    refuse(record, 3, r"density\.standards: box_px = \[482.* holds no numbers; move it, or mend the image there")


def test_nan_all_over_the_slab(tmp_path, floats):
    refuse(put(tmp_path, holding(floats, slice(100, 1080), slice(115, 445), np.nan)), 4, "no skeleton lies under this track")


def test_saturated_standards(tmp_path, plate):
    clipped = np.clip((plate - 6000.0) * 2.6, 0, FULL_SCALE).astype(np.uint16)
    refuse(put(tmp_path, clipped), 3, r"density\.standards: no intensity behind aragonite")


def test_saturated_slab_is_flagged_with_its_share(tmp_path, plate):
    clipped = np.where(plate >= 30000, FULL_SCALE, plate * 2.18).astype(np.uint16)
    result = measure(put(tmp_path, clipped, NO_DENSITY))
    details = [flag.detail for flag in result.flags if flag.code == "saturated"]
    assert len(details) == 1
    share = re.fullmatch(r"track A (\d+\.\d) %", details[0])
    # About half of the skeleton, and of what lies around it nothing.
    assert 25 < float(share[1]) < 60


def test_wholly_saturated_slab_has_no_marks(tmp_path, plate):
    white = np.where(plate > 18000, FULL_SCALE, plate).astype(np.uint16)
    result = measure(put(tmp_path, white, NO_DENSITY))
    assert len(result.marks.depth_mm) == 0
    assert {"no-marks", "saturated"} <= codes(result)


def test_8_bit_jpeg_is_measured_and_flagged(tmp_path, plate):
    record = put(tmp_path, plate, changed(('file = "TB-31.tif"', 'file = "TB-31.jpg"')))
    Image.fromarray((plate >> 8).astype(np.uint8)).save(tmp_path / "TB-31.jpg", quality=90)
    result = measure(record)
    check_good(result)
    assert "eight-bit" in codes(result)


@pytest.mark.parametrize("bits", [10, 12])
def test_12_bit_greys_in_a_16_bit_file(tmp_path, plate, bits):
    check_good(measure(put(tmp_path, plate >> (16 - bits))))


def test_12_bit_greys_in_a_16_bit_file_with_dense_dark(tmp_path, plate):
    record = put(tmp_path, (FULL_SCALE - plate) >> 4, changed(('dense = "bright"', 'dense = "dark"')))
    check_good(measure(record))


def test_noise_instead_of_a_picture(tmp_path):
    noise = np.random.default_rng(0).integers(20000, 24000, (1080, 560)).astype(np.uint16)
    refuse(put(tmp_path, noise, NO_DENSITY), 4, "no skeleton lies under this track")


# ---- records


@pytest.mark.parametrize(("old", "new", "message"), [
    (POINTS, "points_px = [[280, 50]]", r"track\[1\]\.points_px = .*: a track needs at least two points"),
    (POINTS, "points_px = [[280, 50], [280, 50]]", r"track\[1\]\.points_px = .*: points 1 and 2 are the same"),
    (POINTS, "points_px = [[280, 50], [280, 500], [280, 500], [280, 1010]]", "points 2 and 3 are the same"),
    (POINTS, "points_px = [[280, 50], [280, 700], [280, 300], [280, 1010]]",
     r"the track turns back at point 2, \[280\.0, 700\.0\]; order the points from outside the surface inwards"),
    (POINTS, "points_px = [[280, 50], [280, 10100]]", r"track\[1\]\.points_px\[2\]: \[280\.0, 10100\.0\] lies outside the image"),
    (POINTS, "points_px = [[50, 280], [1010, 280]]", "x and y may be swapped"),
    (BAR, "mm_per_px = 0", r"scale\.mm_per_px = 0: must be above 0; write mm_per_px = 0\.1"),
    (BAR, "mm_per_px = -0.1", r"scale\.mm_per_px = -0\.1: must be above 0"),
    ("length_mm = 50.0 }", "length_mm = -50.0 }", r"scale\.bar\.length_mm = -50\.0: must be above 0"),
    ("width_mm = 5.0\n", STAIN_AFTER, r"stain\[1\]\.date = 2019-06-01: not before the collection, specimen\.collected = 2019-01-20"),
    ("slab_thickness_mm = 6.5", "slab_thickness_mm = 0", r"density\.slab_thickness_mm = 0: must be above 0"),
    (RECORD[RECORD.index("[[track]]"):], "", r"track: none is given, .*; add \[\[track\]\] with name and points_px"),
])
def test_record_that_cannot_be_right(tmp_path, plate, old, new, message):
    record = put(tmp_path, plate, changed((old, new)))
    refuse(record, 3, message, names=record)


def test_record_in_latin_1(tmp_path, plate):
    record = put(tmp_path, plate)
    record.write_bytes(RECORD.replace("Tarefa Bank", "Récif de Taréfa").encode("latin-1"))
    message = r"not UTF-8 text: byte 0xe9 at position 69 \(line 6\); save the file again with the encoding UTF-8"
    with pytest.raises(BandkitError, match=message):
        measure(record)
    result = run("measure", record, "--out", tmp_path / "out")
    assert result.exit_code == 3
    assert result.stderr.startswith(f"bandkit: bad-record: {record}: ")


@pytest.mark.parametrize("encode", [lambda text: b"\xef\xbb\xbf" + text.encode(), lambda text: text.replace("\n", "\r\n").encode()],
                         ids=["byte order mark", "line ends"])
def test_record_saved_on_windows(tmp_path, plate, encode):
    record = put(tmp_path, plate)
    record.write_bytes(encode(RECORD))
    check_good(measure(record))


def test_image_in_another_folder_and_names_that_are_not_ascii(tmp_path, plate, no_figure):
    folder = tmp_path / "Tarefa été 2019 雨"
    record = put(folder, plate, changed(('file = "TB-31.tif"', 'file = "../Bilder å/plaque no 1 é.tif"'), ('"TB-31"', '"TB 31 é"')))
    (tmp_path / "Bilder å").mkdir()
    (folder / "TB-31.tif").rename(tmp_path / "Bilder å" / "plaque no 1 é.tif")
    record = record.rename(folder / "fiche é 1.toml")
    result = run("measure", record)
    assert result.exit_code == 0
    assert result.stderr == ""
    slab = folder / "bandkit-out" / "TB 31 é"
    assert result.stdout.splitlines()[0] == str(slab / "report.html")
    with (slab / "growth.csv").open(encoding="utf-8") as file:
        assert {row["specimen"] for row in csv.DictReader(file)} == {"TB 31 é"}
    # A second run reads its own results back.
    assert run("measure", record).stdout.splitlines()[0].endswith("(unchanged)")


def test_image_that_is_not_there(tmp_path, plate):
    record = put(tmp_path, plate)
    (tmp_path / "TB-31.tif").rename(tmp_path / "TB_31.tif")
    refuse(record, 3, r'image\.file = "TB-31\.tif": no such file in .*; the nearest name there is "TB_31\.tif"', names=record)


def test_the_same_id_twice_in_a_batch(tmp_path, plate):
    records = [put(tmp_path, plate), put(tmp_path, plate, name="TB-32")]
    records[1].write_text(RECORD)
    out = tmp_path / "out"
    result = run("measure", *records, "--out", out)
    assert result.exit_code == 4
    assert result.stderr.splitlines() == [
        f'bandkit: duplicate-id: {one}: specimen.id: "TB-31" is also the id in {other}; give each slab its own id'
        for one, other in (records, records[::-1])]
    assert tree(out) == BATCH_FILES


# ---- scale


@pytest.mark.parametrize(("mm_per_px", "size"), [(1.0, "560 x 1080 mm"), (0.01, "6 x 11 mm")])
def test_scale_off_by_ten_is_flagged_with_the_size_of_the_picture(tmp_path, plate, mm_per_px, size):
    result = measure(put(tmp_path, plate, changed((BAR, f"mm_per_px = {mm_per_px}"))))
    assert [flag.detail for flag in result.flags if flag.code == "scale-unusual"] == [size]
    if mm_per_px == 1.0:
        # 90 mm a year: no Porites grows so fast.
        assert "extension-implausible" in codes(result, "A")


@pytest.mark.parametrize("mm_per_px", ["100", "1e9", "1e-9"])
def test_scale_in_another_unit(tmp_path, plate, mm_per_px):
    record = put(tmp_path, plate, changed((BAR, f"mm_per_px = {mm_per_px}")))
    refuse(record, 3, "mm per pixel is no picture of a slab; check the number and its unit")


@pytest.mark.parametrize("box", [[60, 800, 110, 1000], [150, 150, 400, 900], [10, 150, 80, 500]],
                         ids=["background", "slab", "half of the bar"])
def test_box_that_holds_no_bar(tmp_path, plate, box):
    record = put(tmp_path, plate, changed((BAR, f"bar = {{ within_px = {box}, length_mm = 50.0 }}")))
    refuse(record, 3, r"scale\.bar.*give its ends")


def test_bar_that_is_not_there(tmp_path, plate):
    image = plate.copy()
    image[:, :80] = image[:, 460:461]
    record = put(tmp_path, image, changed((BAR, "bar = { length_mm = 50.0 }")))
    refuse(record, 3, r"scale\.bar: no scale bar was found in the image; give its ends")


# ---- standards, thickness and polarity


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("place", [lambda i: [450, 100 + 80 * i, 470, 150 + 80 * i], lambda i: [482, 265 + 9 * i, 538, 274 + 9 * i]],
                         ids=["background", "one step"])
def test_boxes_of_the_standards_on_the_wrong_place(tmp_path, place, seed):
    """Whatever the noise is: a curve through standards that look alike gave 24 000 g/cm3."""
    refuse(put(tmp_path, radiograph(seed=seed), boxes(place)), 3,
           r"density\.standards: (thick and thin let equally much through|.* is off by \d+ % from the curve)")


def test_boxes_of_the_standards_on_the_slab(tmp_path, plate):
    record = put(tmp_path, plate, boxes(lambda i: [300, 262 + 80 * i, 350, 300 + 80 * i]))
    refuse(record, 3, r"density\.standards: aragonite . mm is off by \d+ % from the curve through all of them")


def test_boxes_of_the_standards_in_reverse(tmp_path, plate):
    record = put(tmp_path, plate, boxes(lambda i: [482, 102 + 80 * (4 - i), 538, 158 + 80 * (4 - i)]))
    refuse(record, 3, r"density\.standards: thicker standards let more through; image\.dense .*, or the boxes are interchanged")


def test_two_boxes_interchanged_are_flagged_with_the_worst(tmp_path, plate):
    result = measure(put(tmp_path, plate, boxes(lambda i: [482, 102 + 80 * (0, 2, 1, 3, 4)[i], 538, 158 + 80 * (0, 2, 1, 3, 4)[i]])))
    details = [flag.detail for flag in result.flags if flag.code == "calibration-poor"]
    assert len(details) == 1
    assert re.match(r"aragonite [23] mm is off by \d+\.\d %; a thicker standard lets more through", details[0])


def test_wrong_polarity(tmp_path, plate):
    record = put(tmp_path, plate, changed(('dense = "bright"', 'dense = "dark"')))
    refuse(record, 3, r"image\.dense is likely the wrong way round")


def test_wrong_polarity_without_standards_is_flagged(tmp_path, plate):
    result = measure(put(tmp_path, plate, changed(('dense = "bright"', 'dense = "dark"'), text=NO_DENSITY)))
    assert any(code.startswith("dense-") for code in codes(result))


@pytest.mark.parametrize(("thickness_mm", "factor"), [(65, 0.1), (0.65, 10)])
def test_thickness_off_by_ten_makes_density_implausible(tmp_path, plate, thickness_mm, factor):
    record = put(tmp_path, plate, changed(("slab_thickness_mm = 6.5", f"slab_thickness_mm = {thickness_mm}")))
    result = measure(record)
    assert result.tracks.mean_density_g_cm3[0] == pytest.approx(DENSITY_G_CM3 * factor, rel=0.03)
    assert all("density-implausible" in flags for flags in result.growth.flags)
    assert "density-implausible" in result.tracks.flags[0]
    assert f"thickness-unusual: density.slab_thickness_mm: {thickness_mm} mm is unusual for a slab" in run("check", record).stdout


# ---- every error says which slab it is about


@pytest.mark.parametrize("text", [
    changed((BAR, "bar = { within_px = [60, 800, 110, 1000], length_mm = 50.0 }")),
    changed((BAR, "mm_per_px = 1e9")), changed(('dense = "bright"', 'dense = "dark"')),
    boxes(lambda i: [482, 265 + 9 * i, 538, 274 + 9 * i])], ids=["no bar", "scale", "polarity", "standards"])
def test_errors_of_scale_and_density_name_the_record(tmp_path, plate, text):
    record = put(tmp_path, plate, text)
    with pytest.raises(BandkitError, match=re.escape(f"{record}: ")):
        measure(record)


# ---- tracks


def with_track(*points: tuple[float, float], text: str = RECORD) -> str:
    """The record with the track drawn somewhere else."""
    return changed((POINTS, f"points_px = {[list(point) for point in points]}"), text=text)


@pytest.mark.parametrize(("points", "text"), [
    ([(80, 50), (80, 1010)], RECORD), ([(460, 50), (460, 1010)], NO_DENSITY), ([(100, 40), (400, 40)], RECORD),
    ([(100, 40), (400, 40)], NO_DENSITY)], ids=["left", "right", "above", "above, no standards"])
def test_track_wholly_beside_the_slab(tmp_path, plate, points, text):
    refuse(put(tmp_path, plate, with_track(*points, text=text)), 4, "no skeleton lies under this track")


@pytest.mark.parametrize("last_y_px", [50, 80])
def test_track_drawn_from_inside_outwards_is_flagged(tmp_path, plate, last_y_px):
    """It begins in skeleton and ends in the open; its years would be counted the wrong way round."""
    result = measure(put(tmp_path, plate, with_track((280, 1000), (280, last_y_px))))
    assert "track-backwards" in codes(result, "A")


@pytest.mark.parametrize("y_px", [130, 160, 190, 220, 250])
def test_track_that_begins_inside_the_slab_has_no_surface(tmp_path, plate, y_px):
    """In whatever part of a year it begins: the next dense band is not the surface."""
    result = measure(put(tmp_path, plate, with_track((280, y_px), (280, 1010))))
    assert "surface-not-found" in codes(result, "A")
    assert result.tracks.surface_y_px[0] == pytest.approx(y_px)


def test_track_along_a_band_has_no_confident_marks(tmp_path, plate):
    result = measure(put(tmp_path, plate, with_track((90, 500), (430, 500))))
    assert "certain" not in result.marks.certainty.tolist()
    assert codes(result, "A") & {"no-marks", "doubtful-mark"}


def test_oblique_track_is_flagged_and_extension_is_square_to_the_bands(tmp_path, plate):
    result = measure(put(tmp_path, plate, with_track((130, 80), (430, 380))))
    # Either nothing is told, or what is told is square to the bands: not 12.7 mm, their distance along the track.
    assert codes(result, "A") & {"steep-bands", "no-marks"}
    extension_mm_yr = result.tracks.mean_extension_mm_yr[0]
    assert np.isnan(extension_mm_yr) or extension_mm_yr == pytest.approx(SPACING_MM, rel=0.1)


def test_track_that_runs_out_of_the_slab_ends_there(tmp_path, plate):
    result = measure(put(tmp_path, plate, with_track((280, 50), (280, 1079))))
    assert "track-leaves-slab" in codes(result, "A")
    assert result.tracks.length_mm[0] == pytest.approx(94.0, abs=1.0)
    assert result.tracks.mean_extension_mm_yr[0] == pytest.approx(SPACING_MM, rel=0.01)


def test_track_that_runs_far_out_of_a_short_slab(tmp_path):
    result = measure(put(tmp_path, radiograph(end_mm=42.0)))
    assert "track-leaves-slab" in codes(result, "A")
    assert result.tracks.length_mm[0] == pytest.approx(32.0, abs=1.0)
    assert result.tracks.years.tolist() == [3]


def test_slab_with_three_years(tmp_path):
    result = measure(put(tmp_path, radiograph(end_mm=42.0), with_track((280, 50), (280, 415))))
    assert result.tracks.years.tolist() == [3]
    assert result.tracks.mean_extension_mm_yr[0] == pytest.approx(SPACING_MM, rel=0.03)
    assert result.tracks.mean_density_g_cm3[0] == pytest.approx(DENSITY_G_CM3, abs=0.03)


@pytest.mark.parametrize("length_mm", [5, 10, 15])
def test_track_of_a_few_millimetres_is_doubted(tmp_path, plate, length_mm):
    result = measure(put(tmp_path, plate, with_track((280, 50), (280, 100 + 10 * length_mm))))
    assert {"few-years"} <= codes(result, "A")
    if length_mm < SPACING_MM:
        # Not a single whole year.
        assert result.tracks.years[0] == 0
        assert set(result.marks.certainty.tolist()) <= {"doubtful"}


def test_track_of_less_than_a_pixel(tmp_path, plate):
    record = put(tmp_path, plate, with_track((280, 50), (280.01, 50)))
    refuse(record, 4, "no skeleton lies under this track", names=record)


# ---- slabs without bands


def without_bands(tmp_path, texture_mm: float, n: int) -> list[str]:
    """What is said of slabs with texture only: "none", "doubtful" or "confident", one per slab."""
    said = []
    for seed in range(n):
        image = radiograph(Bands(cycle_frac=0.0, texture_frac=0.1, texture_mm=texture_mm), seed=100 + seed)
        result = measure(put(tmp_path / str(seed), image))
        found = codes(result, "A")
        if "no-marks" in found:
            said.append("none")
        else:
            doubtful = found & {"weak-bands", "bands-not-confirmed"} and np.mean(result.marks.certainty == "doubtful") > 0.5
            said.append("doubtful" if doubtful else "confident")
    return said


def test_fine_texture_alone_gives_no_confident_marks(tmp_path):
    assert "confident" not in without_bands(tmp_path, 0.5, 5)


@pytest.mark.parametrize("texture_mm", [1.0, pytest.param(2.0, marks=pytest.mark.xfail(
    strict=True, reason="blotches 8 mm wide are wider than the blocks that two looks take turns in: both see them"))])
def test_coarse_texture_alone_gives_no_confident_marks(tmp_path, texture_mm):
    assert without_bands(tmp_path, texture_mm, 5).count("confident") <= 1


def test_no_marks_is_not_a_count_of_zero(tmp_path, plate):
    white = np.where(plate > 18000, FULL_SCALE, plate).astype(np.uint16)
    result = measure(put(tmp_path, white, NO_DENSITY))
    assert "no-marks" in codes(result)
    assert np.isnan([result.tracks.years[0], result.tracks.years_lo[0], result.tracks.years_hi[0]]).all()


# ---- disks and Ctrl-C


def batch(folder: Path, plate: np.ndarray, n: int) -> list[Path]:
    return [put(folder, plate, name=f"TB-{41 + i}") for i in range(n)]


def fail_with(number: int):
    """A function that fails as the operating system does."""

    def fail(*_args: object, **_kwargs: object) -> None:
        raise OSError(number, os.strerror(number))

    return fail


def test_read_only_output_folder(tmp_path, plate, monkeypatch):
    record = put(tmp_path, plate)
    monkeypatch.setattr(Path, "mkdir", fail_with(errno.EROFS))
    result = run("measure", record, "--out", tmp_path / "out")
    assert result.exit_code == 3
    assert result.stderr == f"bandkit: {tmp_path / 'out'}: cannot be made (Read-only file system); choose another folder with --out\n"
    assert not (tmp_path / "out").exists()


def test_disk_that_is_full_keeps_what_was_there(tmp_path, plate, monkeypatch, no_figure):
    record, out = put(tmp_path, plate), tmp_path / "out"
    run("measure", record, "--out", out)
    before = {name: (out / name).read_bytes() for name in tree(out)}
    record.write_text(RECORD + "# looked at again\n")
    with monkeypatch.context() as full:
        full.setattr(os, "fsync", fail_with(errno.ENOSPC))
        result = run("measure", record, "--out", out)
    assert result.exit_code == 3
    assert re.fullmatch(r"bandkit: .*: cannot be written .*the disk is full; free some space and run again.*\n", result.stderr)
    assert {name: (out / name).read_bytes() for name in tree(out)} == before
    assert run("measure", record, "--out", out).exit_code == 0


PROGRAM = textwrap.dedent("""
    import sys
    import bandkit.output.figure as figure
    from bandkit.cli import main

    # Drawing takes most of the time of writing a slab and is tested elsewhere.
    figure.slab_figure, figure.png_bytes = lambda result: None, lambda drawn: b"png"
    {before}
    main()
""")


def start(*arguments: object, before: str = "") -> subprocess.Popen[str]:
    """The command line as a program of its own."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen([sys.executable, "-c", PROGRAM.format(before=before), *map(str, arguments)], text=True,
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment)


@pytest.mark.skipif(sys.platform == "win32", reason="a limit on the size of files is a thing of Unix")
def test_disk_that_fills_up_in_the_middle_of_a_slab(tmp_path, plate):
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))"
    process = start("measure", put(tmp_path, plate), "--out", tmp_path / "out", before=limit)
    _, stderr = process.communicate(timeout=60)
    assert process.returncode == 3
    assert re.fullmatch(rf"bandkit: cannot-write: {tmp_path}.*TB-31.*: cannot be written.*\n", stderr)
    assert tree(tmp_path / "out") == BATCH_FILES


@pytest.mark.skipif(sys.platform == "win32", reason="sends Ctrl-C as a Unix terminal does")
def test_ctrl_c_in_the_middle_of_a_batch(tmp_path, plate, no_figure):
    records, out = batch(tmp_path, plate, 5), tmp_path / "out"
    process = start("measure", *records, "--out", out)
    deadline = time.monotonic() + 60
    while not (out / "TB-41").exists() and time.monotonic() < deadline:
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    stdout, stderr = process.communicate(timeout=60)
    whole = sorted(path.name for path in out.iterdir() if path.is_dir())
    assert process.returncode == 130
    assert 1 <= len(whole) < 5
    slabs = "1 slab is" if len(whole) == 1 else f"{len(whole)} slabs are"
    assert stderr == f"bandkit: stopped; {slabs} whole in {out}; the same command goes on from there\n"
    assert stdout.count("report.html") == len(whole)
    with (out / "tracks.csv").open(encoding="utf-8") as file:
        assert [row["specimen"] for row in csv.DictReader(file)] == whole
    again = run("measure", *records, "--out", out)
    assert again.exit_code == 0
    assert again.stdout.count("(unchanged)") == len(whole)
    assert sorted(path.name for path in out.iterdir() if path.is_dir()) == [f"TB-{41 + i}" for i in range(5)]


def test_ctrl_c_while_a_slab_is_written_leaves_nothing_of_it(tmp_path, plate, monkeypatch, no_figure):
    record, out = put(tmp_path, plate), tmp_path / "out"
    written = []

    def interrupt(path: Path, content: bytes) -> None:
        written.append(path)
        if len(written) == 3:
            raise KeyboardInterrupt
        path.write_bytes(content)

    monkeypatch.setattr("bandkit.output.slab.write_bytes_synced", interrupt)
    result = run("measure", record, "--out", out)
    assert len(written) == 3
    assert result.exit_code == 130
    assert result.stderr.startswith("bandkit: stopped; 0 slabs are whole in ")
    assert tree(out) == BATCH_FILES


def test_bad_slabs_in_a_batch_are_told_one_line_each_and_the_rest_is_measured(tmp_path, plate, no_figure):
    good = put(tmp_path, plate, name="TB-41")
    bad = [put(tmp_path, b"", name="TB-42"), put(tmp_path, plate, changed((BAR, "mm_per_px = 0")), name="TB-43"),
           put(tmp_path, np.zeros((1080, 560), np.uint16), name="TB-44")]
    out = tmp_path / "out"
    result = run("measure", tmp_path, "--out", out)
    assert result.exit_code == 4
    assert len(result.stderr.splitlines()) == len(bad)
    for line, record, reason in zip(result.stderr.splitlines(), bad, ("unreadable-image", "bad-record", "blank-image"), strict=True):
        assert line.startswith(f"bandkit: {reason}: {record.with_suffix('')}")
    assert [path.name for path in out.iterdir() if path.is_dir()] == [good.stem]
