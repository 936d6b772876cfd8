"""Scans as folders and files: the order of slices, where they lie, and what is wrong with them."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from generators.ct_phantom import write_slice

from bandkit.errors import ImageReadError, InputError
from bandkit.images.volume import open_volume

SIDES = (0.4, 0.5)
VOXEL = (0.4, 0.5, 2.0)


def plain(number: int) -> np.ndarray:
    return np.full((6, 8), 10.0 * number - 900)


def write_scan(folder, places, *, directions=(1, 0, 0, 0, 1, 0), **elements):
    """Slices whose value tells their place in the list; names run the other way."""
    folder.mkdir(exist_ok=True)
    for k, place in enumerate(places):
        xyz = place if isinstance(place, tuple) else (0.0, 0.0, place)
        write_slice(folder / f"IM{99 - k}", plain(k), SIDES, xyz, number=k + 1, directions=directions, **elements)


def values(volume):
    return [float(volume.read_slice(k)[0, 0]) for k in range(volume.grid.size_px[2])]


def codes(volume):
    return [note.code for note in volume.notes]


def test_slices_come_in_the_order_of_their_places(tmp_path):
    write_scan(tmp_path / "scan", [4.0, -2.0, 2.0, 0.0])
    volume = open_volume(tmp_path / "scan")
    assert values(volume) == [-890.0, -870.0, -880.0, -900.0]
    assert volume.grid.slice_mm.tolist() == [0.0, 2.0, 4.0, 6.0]
    assert (volume.grid.x_mm_px, volume.grid.y_mm_px, volume.grid.size_px) == (0.4, 0.5, (8, 6, 4))
    assert (volume.format, volume.bits, codes(volume)) == ("DICOM slices", 12, [])
    assert dict(volume.acquisition) == {"tube_kv": 120.0}


def test_place_is_square_to_slices_that_lie_askew(tmp_path):
    """Coronal slices: rows run along x, columns down z, so that they follow each other along y."""
    write_scan(tmp_path / "scan", [(0.0, 3.0, 0.0), (0.0, 1.0, 0.0), (0.0, 5.0, 0.0)], directions=(1, 0, 0, 0, 0, -1))
    volume = open_volume(tmp_path / "scan")
    assert values(volume) == [-890.0, -900.0, -880.0]
    np.testing.assert_allclose(volume.grid.slice_mm, [0, 2, 4])


def test_tilted_scanner_shows_as_a_shift(tmp_path):
    write_scan(tmp_path / "scan", [(0.0, 0.25 * k, 2.0 * k) for k in range(4)])
    np.testing.assert_allclose(open_volume(tmp_path / "scan").grid.shift_mm, [[0, 0], [0, 0.25], [0, 0.5], [0, 0.75]])


def test_overviews_and_other_files_are_passed_over(tmp_path):
    write_scan(tmp_path / "scan", [0.0, 2.0, 4.0])
    write_slice(tmp_path / "scan" / "overview", plain(9), SIDES, (0, 0, 1), ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"], series=1)
    write_slice(tmp_path / "scan" / "report", plain(9), SIDES, (0, 0, 1), Rows=None)
    (tmp_path / "scan" / "notes.txt").write_text("kept")
    (tmp_path / "scan" / ".hidden").write_bytes(bytes(200))
    assert len(values(open_volume(tmp_path / "scan"))) == 3


def test_missing_and_uneven_slices_are_told(tmp_path):
    write_scan(tmp_path / "gap", [0.0, 2.0, 4.0, 8.0, 10.0])
    volume = open_volume(tmp_path / "gap")
    assert [note.detail for note in volume.notes] == ["4 mm after slice 2; usual are 2 mm"]
    assert codes(volume) == ["slices-missing"]
    write_scan(tmp_path / "uneven", [0.0, 2.0, 4.1, 6.1, 8.1])
    volume = open_volume(tmp_path / "uneven")
    assert codes(volume) == ["slices-uneven"]
    assert volume.notes[0].detail == "2 to 2.1 mm"


def test_slice_twice(tmp_path):
    write_scan(tmp_path / "scan", [0.0, 2.0, 2.0, 4.0])
    with pytest.raises(ImageReadError, match=r"IM9[78]: lies in the same place as IM9[78] \(2 mm from the first slice\); keep one") as caught:
        open_volume(tmp_path / "scan")
    assert caught.value.reason == "slices-twice"


def test_several_series_are_listed_and_one_is_taken(tmp_path):
    write_scan(tmp_path / "scan", [0.0, 2.0, 4.0])
    for k in range(2):
        write_slice(tmp_path / "scan" / f"other{k}", plain(50), SIDES, (0, 0, 7.0 * k), series=5)
    with pytest.raises(InputError, match=r"scan: holds 2 series: 2 \(3 slices\), 5 \(2 slices\); write the number of one as volume\.series") as caught:
        open_volume(tmp_path / "scan")
    assert caught.value.reason == "several-series"
    assert len(values(open_volume(tmp_path / "scan", series=2))) == 3
    assert values(open_volume(tmp_path / "scan", series=5)) == [-400.0, -400.0]
    with pytest.raises(ImageReadError, match="holds 0 slices of series 7, and a scan has many"):
        open_volume(tmp_path / "scan", series=7)


def test_slices_in_two_directions(tmp_path):
    write_scan(tmp_path / "scan", [0.0, 2.0])
    write_slice(tmp_path / "scan" / "odd", plain(3), SIDES, (0, 0, 4.0), directions=(1, 0, 0, 0, 0, 1))
    with pytest.raises(ImageReadError, match=r"odd: lies in another direction than IM\d\d; keep one scan|lies in another direction than odd"):
        open_volume(tmp_path / "scan")


def test_slices_without_places_need_the_voxel(tmp_path):
    write_scan(tmp_path / "scan", [0.0] * 3, ImagePositionPatient=None)
    with pytest.raises(InputError, match=r"the slices do not say how large a voxel is; write volume\.voxel_mm") as caught:
        open_volume(tmp_path / "scan")
    assert caught.value.reason == "no-voxel-size"
    volume = open_volume(tmp_path / "scan", voxel_mm=VOXEL)
    assert values(volume) == [-900.0, -890.0, -880.0]
    assert volume.grid.slice_mm.tolist() == [0.0, 2.0, 4.0]
    write_scan(tmp_path / "scan", [0.0] * 3, ImagePositionPatient=None, InstanceNumber=None)
    with pytest.raises(ImageReadError, match="the slices say neither where they lie nor in which order"):
        open_volume(tmp_path / "scan", voxel_mm=VOXEL)


@pytest.mark.parametrize(("voxel_mm", "stated"), [((0.5, 0.5, 2.0), r"\[0\.4, 0\.5\]"), ((0.4, 0.5, 1.0), r"\[0\.4, 0\.5, 2\]")])
def test_voxel_that_contradicts_the_files(tmp_path, voxel_mm, stated):
    write_scan(tmp_path / "scan", [0.0, 2.0, 4.0])
    with pytest.raises(InputError, match=rf"volume\.voxel_mm = \[.*\] contradicts the slices, which state {stated}; delete it"):
        open_volume(tmp_path / "scan", voxel_mm=voxel_mm)
    open_volume(tmp_path / "scan", voxel_mm=VOXEL)


# -- stacks of pictures ----------------------------------------------------------------------------


def write_stack(folder, numbers, name="core_{}.tif"):
    folder.mkdir(exist_ok=True)
    for number in numbers:
        tifffile.imwrite(folder / name.format(number), plain(number).astype(np.int16))


def test_tiff_slices_in_the_order_of_their_numbers(tmp_path):
    write_stack(tmp_path / "s", [10, 9, 11, 8])
    volume = open_volume(tmp_path / "s", voxel_mm=VOXEL)
    assert values(volume) == [-820.0, -810.0, -800.0, -790.0]
    assert volume.grid.slice_mm.tolist() == [0, 2, 4, 6]
    assert (volume.format, codes(volume)) == ("TIFF slices", [])


@pytest.mark.parametrize(("numbers", "name", "places"), [
    ([1, 2, 3, 5, 6], "core_{}.tif", [0, 2, 4, 8, 10]),
    ([5, 10, 15, 25, 30], "{}.tif", [0, 2, 4, 8, 10]),
    ([1, 2, 3, 5, 6], "2019-{}_of_6.tif", [0, 2, 4, 8, 10]),
])
def test_numbers_missing_from_the_names_are_missing_slices(tmp_path, numbers, name, places):
    write_stack(tmp_path / "s", numbers, name)
    volume = open_volume(tmp_path / "s", voxel_mm=VOXEL)
    assert volume.grid.slice_mm.tolist() == places
    assert codes(volume) == ["slices-missing"]


def test_pages_of_one_file(tmp_path):
    pages = np.stack([plain(k) for k in range(40)]).astype(np.int16)
    tifffile.imwrite(tmp_path / "pages.tif", pages, photometric="minisblack", metadata=None, compression="zlib")
    volume = open_volume(tmp_path / "pages.tif", voxel_mm=VOXEL)
    assert values(volume) == [10.0 * k - 900 for k in range(40)]
    assert volume.format == "TIFF pages"


def test_stack_behind_one_page(tmp_path):
    """As a common image program writes them: one page is described, the others lie plainly behind it."""
    pages = np.stack([plain(k) for k in range(5)]).astype(np.int16)
    pages += np.arange(8, dtype=np.int16)
    tifffile.imwrite(tmp_path / "stack.tif", pages, imagej=True)
    volume = open_volume(tmp_path / "stack.tif", voxel_mm=VOXEL)
    assert volume.grid.size_px == (8, 6, 5)
    for k in (0, 4, 2):
        np.testing.assert_array_equal(volume.read_slice(k), pages[k])


def test_truly_one_described_page(tmp_path):
    pages = np.arange(3 * 6 * 8, dtype=np.uint16).reshape(3, 6, 8)
    tifffile.imwrite(tmp_path / "one.tif", pages[0], photometric="minisblack", metadata=None, description="images=3\nslices=3\n")
    content = (tmp_path / "one.tif").read_bytes()
    # The strip of the first page is moved to the end, with the other pages behind it.
    with tifffile.TiffFile(tmp_path / "one.tif") as tiff:
        offset = tiff.pages[0].dataoffsets[0]
    assert offset + 96 == len(content), "pixels stand last"
    (tmp_path / "one.tif").write_bytes(content + pages[1:].tobytes())
    volume = open_volume(tmp_path / "one.tif", voxel_mm=VOXEL)
    np.testing.assert_array_equal([volume.read_slice(k) for k in range(3)], pages)


def test_voxel_of_a_stack_must_be_given(tmp_path):
    write_stack(tmp_path / "s", [1, 2, 3])
    with pytest.raises(InputError, match=r"s: TIFF does not say how large a voxel is; write volume\.voxel_mm = \[x, y, from slice to slice\]"):
        open_volume(tmp_path / "s")


@pytest.mark.parametrize("other", [np.zeros((6, 9), np.int16), np.zeros((6, 8, 3), np.uint8)])
def test_slice_unlike_the_first(tmp_path, other):
    write_stack(tmp_path / "s", [1, 2])
    tifffile.imwrite(tmp_path / "s" / "core_3.tif", other)
    volume = open_volume(tmp_path / "s", voxel_mm=VOXEL)
    with pytest.raises(ImageReadError, match=r"core_3\.tif: this slice is \d x 6 px with \d values each, the first one 8 x 6 with 1; keep one scan"):
        volume.read_slice(2)


def test_no_scan(tmp_path):
    with pytest.raises(ImageReadError, match="none: no such folder"):
        open_volume(tmp_path / "none")
    (tmp_path / "notes.txt").write_text("nothing")
    with pytest.raises(ImageReadError, match="holds 0 DICOM or TIFF files, and a scan has many; name the folder of its slices") as caught:
        open_volume(tmp_path)
    assert caught.value.reason == "no-slices"
    tifffile.imwrite(tmp_path / "one.tif", plain(1).astype(np.int16))
    with pytest.raises(ImageReadError, match=r"one\.tif: holds 1 page, and a scan has many"):
        open_volume(tmp_path / "one.tif", voxel_mm=VOXEL)
    write_scan(tmp_path, [0.0, 2.0])
    with pytest.raises(ImageReadError, match="holds 2 DICOM and 1 TIFF files; keep one scan in the folder"):
        open_volume(tmp_path)


def test_hash_is_that_of_all_slices_in_their_order(tmp_path):
    write_stack(tmp_path / "s", [1, 2, 3])
    first = open_volume(tmp_path / "s", voxel_mm=VOXEL).sha256()
    assert len(first) == 64
    assert open_volume(tmp_path / "s", voxel_mm=VOXEL).sha256() == first
    tifffile.imwrite(tmp_path / "s" / "core_2.tif", plain(7).astype(np.int16))
    assert open_volume(tmp_path / "s", voxel_mm=VOXEL).sha256() != first


def test_damaged_slice_is_named(tmp_path):
    write_scan(tmp_path / "scan", [0.0, 2.0, 4.0])
    path = tmp_path / "scan" / "IM98"
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(ImageReadError, match="IM98: the file ends before the part"):
        open_volume(tmp_path / "scan").read_slice(1)
