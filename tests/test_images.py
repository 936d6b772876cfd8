"""TIFF files of every kind that is read: each pixel's value tells where it lies."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from image_files import HEIGHT, WIDTH, codes, colours, deflate_bomb, greys, whole, write

from bandkit.errors import ImageReadError, InputError
from bandkit.images import open_image
from bandkit.images.blocks import block_means
from bandkit.images.tiff import TiffSource

LAYOUTS = {
    "one strip": {},
    "strips": {"rowsperstrip": 7},
    "tiles": {"tile": (16, 32)},
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("compression", [None, "zlib", "lzw", "packbits", "zstd"])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_greys_are_read_as_written(tmp_path, layout, compression, dtype):
    values = greys(dtype)
    path = write(tmp_path / "a.tif", values, compression=compression, **LAYOUTS[layout])
    with open_image(path) as image:
        assert (image.width_px, image.height_px, image.channels, image.format) == (WIDTH, HEIGHT, 1, "TIFF")
        assert image.dtype == np.dtype(dtype)
        assert image.full_scale == np.iinfo(dtype).max
        assert image.notes == ()
        np.testing.assert_array_equal(whole(image), values)
        np.testing.assert_array_equal(image.read(3, 5, 40, 70), values[5:70, 3:40])
        assert image.read(3, 5, 40, 70).dtype == np.dtype(dtype)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("compression", [None, "zlib", "lzw"])
@pytest.mark.parametrize("planarconfig", ["contig", "separate"])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_colours_are_read_as_written(tmp_path, layout, compression, planarconfig, dtype):
    values = colours(dtype)
    stored = np.moveaxis(values, -1, 0) if planarconfig == "separate" else values
    path = write(
        tmp_path / "a.tif",
        stored,
        photometric="rgb",
        planarconfig=planarconfig,
        compression=compression,
        **LAYOUTS[layout],
    )
    with open_image(path) as image:
        assert image.channels == 3
        np.testing.assert_array_equal(whole(image), values)
        np.testing.assert_array_equal(image.read(30, 15, 34, 17), values[15:17, 30:34])


@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize("bigtiff", [False, True])
@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "predictor": 2, "tile": (16, 16)}])
def test_byte_order_and_big_files(tmp_path, byteorder, bigtiff, options):
    path = write(tmp_path / "a.tif", greys(), byteorder=byteorder, bigtiff=bigtiff, **options)
    with open_image(path) as image:
        assert image.dtype.isnative
        assert image.read(0, 0, 1, 1).dtype == np.dtype("uint16")
        np.testing.assert_array_equal(image.read(7, 20, 61, 83), greys()[20:83, 7:61])


@pytest.mark.parametrize("dtype", ["int16", "int32", "uint32", "float16", "float32", "float64"])
@pytest.mark.parametrize("predictor", [False, True])
def test_other_types(tmp_path, dtype, predictor):
    values = greys(dtype) if dtype != "float16" else greys("float16", 40, 50)
    path = write(tmp_path / "a.tif", values, compression="zlib" if predictor else None, predictor=predictor)
    with open_image(path) as image:
        assert image.dtype == np.dtype(dtype)
        np.testing.assert_array_equal(whole(image), values)


def test_twelve_bits_keep_their_own_full_scale(tmp_path):
    values = greys() % 4096
    path = write(tmp_path / "a.tif", values, bitspersample=12)
    with open_image(path) as image:
        assert (image.bits, image.full_scale) == (12, 4095.0)
        np.testing.assert_array_equal(whole(image), values)


def test_jpeg_in_tiff(tmp_path):
    ramp = np.repeat(np.arange(0, 256, 4, dtype=np.uint8)[:, None], 64, axis=1)
    path = write(tmp_path / "a.tif", ramp, compression="jpeg", compressionargs={"level": 95}, tile=(16, 16))
    rgb = write(
        tmp_path / "b.tif",
        np.dstack([ramp, ramp // 2, 255 - ramp]),
        photometric="rgb",
        compression="jpeg",
        tile=(16, 16),
    )
    with open_image(path) as image:
        assert np.abs(whole(image).astype(int) - ramp).max() <= 3
    with open_image(rgb) as image:
        assert image.channels == 3
        assert np.abs(whole(image).astype(int) - np.dstack([ramp, ramp // 2, 255 - ramp])).max() <= 8


@pytest.mark.parametrize("options", [{}, {"compression": "lzw", "tile": (16, 16)}])
def test_alpha_is_dropped_and_said_so(tmp_path, options):
    path = write(tmp_path / "a.tif", colours(samples=4), photometric="rgb", extrasamples=["unassalpha"], **options)
    grey = write(tmp_path / "b.tif", colours(samples=2), extrasamples=["unassalpha"], planarconfig="contig", **options)
    with open_image(path) as image:
        assert codes(image) == ["alpha-dropped"]
        np.testing.assert_array_equal(whole(image), colours())
    with open_image(grey) as image:
        assert (codes(image), image.channels) == (["alpha-dropped"], 1)
        np.testing.assert_array_equal(whole(image), greys())


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "rowsperstrip": 7}])
def test_white_is_zero_is_read_as_displayed(tmp_path, dtype, options):
    path = write(tmp_path / "a.tif", greys(dtype), photometric="miniswhite", **options)
    with open_image(path) as image:
        assert codes(image) == ["inverted-greys"]
        np.testing.assert_array_equal(whole(image), np.iinfo(dtype).max - greys(dtype))
        assert image.read(0, 0, 2, 2).dtype == np.dtype(dtype)


def test_white_is_zero_with_signed_and_float_values(tmp_path):
    signed = write(tmp_path / "a.tif", greys("int16"), photometric="miniswhite")
    floats = write(tmp_path / "b.tif", greys("float32"), photometric="miniswhite")
    with open_image(signed) as image:
        np.testing.assert_array_equal(whole(image), -1 - greys("int16"))
    with open_image(floats) as image:
        np.testing.assert_array_equal(whole(image), greys("float32").max() - greys("float32"))


def test_palette_of_colours_and_of_greys(tmp_path):
    indices = greys("uint8")
    levels = np.arange(256, dtype=np.uint16)
    cases = {
        "colour": (
            np.stack([levels * 257, levels[::-1] * 257, levels * 0]),
            np.uint8,
            lambda i: np.dstack([i, 255 - i, i * 0]),
        ),
        "grey": (np.stack([levels[::-1] * 257] * 3), np.uint8, lambda i: 255 - i),
        "fine": (np.stack([levels * 201] * 3), np.uint16, lambda i: i.astype(np.uint16) * 201),
    }
    for name, (palette, dtype, expected) in cases.items():
        path = write(tmp_path / f"{name}.tif", indices, photometric="palette", colormap=palette, compression="zlib")
        with open_image(path) as image:
            assert codes(image) == ["palette-colours"]
            assert image.dtype == dtype
            np.testing.assert_array_equal(whole(image), expected(indices))


# -- pages ---------------------------------------------------------------------------------------


def write_pages(path: Path, *pages: tuple[np.ndarray, int]) -> Path:
    with tifffile.TiffWriter(path) as tiff:
        for values, subfiletype in pages:
            tiff.write(values, subfiletype=subfiletype, metadata=None, photometric="minisblack", compression="zlib")
    return path


@pytest.mark.parametrize(
    ("pages", "chosen", "noted"),
    [
        ([(greys(), 0), (greys() + 1, 0)], 0, "page 1 of 2"),
        ([(greys()[::4, ::4], 1), (greys(), 0)], 1, "page 2 of 2"),  # reduced, and said to be
        ([(greys()[::4, ::4], 0), (greys(), 0)], 1, "page 2 of 2"),  # a thumbnail that does not say so
        ([(greys(), 0), (greys()[::2, ::2], 1)], 0, None),  # a pyramid below the image is no choice
        ([(greys()[:70], 0), (greys(), 0)], 0, "page 1 of 2"),  # two scans of nearly one size
    ],
)
def test_first_full_size_page(tmp_path, pages, chosen, noted):
    path = write_pages(tmp_path / "a.tif", *pages)
    with open_image(path) as image:
        np.testing.assert_array_equal(whole(image), pages[chosen][0])
        assert [flag.detail for flag in image.notes if flag.code == "first-page-used"] == ([noted] if noted else [])


def test_stack_behind_one_page_is_noted(tmp_path):
    path = write(tmp_path / "a.tif", greys(), description="images=12\nslices=12")
    with open_image(path) as image:
        assert [flag.detail for flag in image.notes] == ["page 1 of 12"]


# -- orientation and resolution ------------------------------------------------------------------

DISPLAYED = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: np.transpose,
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.rot90(a, 2).T,
    8: np.rot90,
}


@pytest.mark.parametrize("orientation", DISPLAYED)
def test_orientation_is_applied_to_regions_overview_and_resolution(tmp_path, orientation):
    path = write(
        tmp_path / "a.tif",
        greys(),
        extratags=[(274, "H", 1, orientation, True)],
        resolution=(100, 200),
        resolutionunit="CENTIMETER",
        rowsperstrip=7,
        compression="zlib",
    )
    shown = DISPLAYED[orientation](greys())
    with open_image(path) as image:
        assert (image.height_px, image.width_px) == shown.shape
        np.testing.assert_array_equal(whole(image), shown)
        np.testing.assert_array_equal(image.read(5, 11, 41, 53), shown[11:53, 5:41])
        np.testing.assert_array_equal(image.overview(30).values, block_means(shown, 3))
        assert image.resolution_mm_px == ((0.1, 0.05) if orientation < 5 else (0.05, 0.1))
        assert codes(image) == ([] if orientation == 1 else ["orientation-applied"])


@pytest.mark.parametrize(
    ("resolution", "unit", "expected"),
    [
        ((254, 127), "INCH", (0.1, 0.2)),
        ((100, 50), "CENTIMETER", (0.1, 0.2)),
        ((72, 72), "NONE", None),
        ((0, 100), "INCH", None),
    ],
)
def test_resolution_tags(tmp_path, resolution, unit, expected):
    path = write(tmp_path / "a.tif", greys(), resolution=resolution, resolutionunit=unit)
    with open_image(path) as image:
        assert image.resolution_mm_px == (pytest.approx(expected) if expected else None)


# -- regions and overview ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    folder = tmp_path_factory.mktemp("regions")
    values = colours("uint8")
    sources = [
        open_image(write(folder / "tiles.tif", values, photometric="rgb", tile=(16, 32), compression="zlib")),
        open_image(write(folder / "rows.tif", values, photometric="rgb", byteorder=">")),
        open_image(
            write(
                folder / "apart.tif",
                np.moveaxis(values, -1, 0),
                photometric="rgb",
                planarconfig="separate",
                rowsperstrip=5,
            )
        ),
    ]
    yield values, sources
    for source in sources:
        source.close()


@settings(deadline=None, max_examples=100)
@given(
    st.tuples(st.integers(0, WIDTH - 1), st.integers(1, WIDTH)),
    st.tuples(st.integers(0, HEIGHT - 1), st.integers(1, HEIGHT)),
)
def test_region_is_the_slice_of_the_whole(opened, x, y):
    values, sources = opened
    x0, x1 = x[0], min(x[0] + x[1], WIDTH)
    y0, y1 = y[0], min(y[0] + y[1], HEIGHT)
    for source in sources:
        part = source.read(x0, y0, x1, y1)
        np.testing.assert_array_equal(part, values[y0:y1, x0:x1])
        assert part.flags.c_contiguous
        assert part.flags.writeable


@pytest.mark.parametrize(
    "box", [(-1, 0, 5, 5), (0, 0, WIDTH + 1, 5), (0, 5, 5, 5), (0, 0, 5, HEIGHT + 1), (9, 0, 3, 4)]
)
def test_box_must_lie_inside(opened, box):
    with pytest.raises(InputError, match=r"tiles\.tif: box .* must lie inside the image, 61 x 83 px"):
        opened[1][0].read(*box)


def count_decoded(monkeypatch) -> list[int]:
    decoded = []
    original = TiffSource._decode_segment

    def counting(self, index, data):
        decoded.append(index)
        return original(self, index, data)

    monkeypatch.setattr(TiffSource, "_decode_segment", counting)
    return decoded


def test_only_the_tiles_in_the_box_are_decoded_and_only_once(tmp_path, monkeypatch):
    decoded = count_decoded(monkeypatch)
    path = write(tmp_path / "a.tif", greys("uint16", 200, 300), tile=(16, 16), compression="zlib")
    with open_image(path) as image:
        assert decoded == []
        image.read(20, 20, 40, 30)  # columns 1 and 2 of row 1 of 19 tiles
        assert sorted(decoded) == [20, 21]
        image.read(30, 25, 50, 40)  # columns 1 to 3 of rows 1 and 2
        assert sorted(decoded) == [20, 21, 22, 39, 40, 41]


def test_colour_planes_that_are_dropped_are_not_decoded(tmp_path, monkeypatch):
    decoded = count_decoded(monkeypatch)
    stored = np.moveaxis(colours(samples=4), -1, 0)
    path = write(
        tmp_path / "a.tif",
        stored,
        photometric="rgb",
        planarconfig="separate",
        extrasamples=["unassalpha"],
        compression="zlib",
    )
    with open_image(path) as image:
        np.testing.assert_array_equal(whole(image), colours())
    assert decoded == [0, 1, 2]


def test_decoded_segments_are_kept_within_a_bound(tmp_path, monkeypatch):
    monkeypatch.setattr("bandkit.images.tiff._CACHE_BYTES", 4 * 16 * 16 * 2)
    decoded = count_decoded(monkeypatch)
    path = write(tmp_path / "a.tif", greys("uint16", 64, 64), tile=(16, 16), compression="zlib")
    with open_image(path) as image:
        np.testing.assert_array_equal(whole(image), greys("uint16", 64, 64))
        assert len(image._cache._segments) == 4
        image.read(0, 48, 64, 64)
        assert len(decoded) == 16
        image.read(0, 0, 16, 16)
        assert len(decoded) == 17


def test_one_huge_strip_is_decoded_once(tmp_path, monkeypatch):
    monkeypatch.setattr("bandkit.images.tiff._CACHE_BYTES", 100)
    decoded = count_decoded(monkeypatch)
    path = write(tmp_path / "a.tif", greys(), compression="zlib")
    with open_image(path) as image:
        for row in range(0, 80, 10):
            image.read(0, row, 5, row + 5)
    assert decoded == [0]


@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "tile": (16, 16)}, {"compression": "zlib"}])
def test_overview_is_the_mean_of_blocks(tmp_path, monkeypatch, options):
    monkeypatch.setattr("bandkit.images.source._BAND_BYTES", 1000)
    path = write(tmp_path / "a.tif", greys(), **options)
    with open_image(path) as image:
        overview = image.overview(20)
    assert overview.step_px == 5
    assert overview.values.shape == (17, 13)
    assert overview.values.dtype == np.float32
    # value = row * 61 + column: the mean of a whole block is its value at the centre
    rows, columns = np.mgrid[0:16, 0:12]
    centre = ((rows + 0.5) * 5 - 0.5) * WIDTH + (columns + 0.5) * 5 - 0.5
    np.testing.assert_allclose(overview.values[:16, :12], centre, rtol=1e-6)
    assert overview.values[16, 12] == pytest.approx(greys()[80:, 60:].mean())


def test_overview_of_a_small_image_is_the_image(tmp_path):
    with open_image(write(tmp_path / "a.tif", colours(), photometric="rgb")) as image:
        overview = image.overview()
        assert overview.step_px == 1
        np.testing.assert_array_equal(overview.values, colours())
        with pytest.raises(InputError, match="max_side_px: must be at least 1, got 0"):
            image.overview(0)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "uint32", "int16", "float32"])
@pytest.mark.parametrize("step", [1, 2, 7, 100])
def test_block_means(dtype, step):
    values = np.full((20, 30, 3), np.iinfo(dtype).max if dtype[0] in "ui" else 3.5, dtype=dtype)
    means = block_means(values, step)
    assert means.shape == (-(-20 // step), -(-30 // step), 3)
    np.testing.assert_allclose(means, float(values[0, 0, 0]), rtol=1e-6)


# -- values that are no numbers, full scale of floats --------------------------------------------


def test_values_that_are_no_numbers_stay_and_are_noted(tmp_path):
    values = greys("float32")
    values[3, 4], values[50, 7], values[10, 20] = np.nan, np.inf, -np.inf
    with open_image(write(tmp_path / "a.tif", values)) as image:
        image.read(0, 60, 5, 70)
        assert image.notes == ()
        read = whole(image)
        whole(image)
        assert codes(image) == ["missing-values"]
        assert np.argwhere(np.isnan(read)).tolist() == [[3, 4], [10, 20], [50, 7]]
        overview = image.overview(21)
        assert np.isfinite(overview.values).all()
        block = values[0:4, 4:8].astype(float)
        assert overview.values[0, 1] == pytest.approx(np.nanmean(block))
        assert image.full_scale == greys("float32").max()


def test_block_of_nothing_but_missing_values_is_missing():
    assert np.isnan(block_means(np.full((4, 4), np.nan, dtype=np.float32), 2)).all()


def test_full_scale_of_floats_up_to_one_is_one(tmp_path):
    with open_image(write(tmp_path / "a.tif", greys("float32") / 10000)) as image:
        assert image.full_scale == 1.0


# -- refused, in words ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "options", "message"),
    [
        (greys() > 2000, {}, "the image has 1-bit values; scan or save it with 8 or 16 bits"),
        (greys("uint8") % 16, {"bitspersample": 4}, "the image has 4-bit values"),
        (greys().astype("complex64"), {}, "of this type are not read; save it with 8 or 16 bits"),
        (colours(samples=4), {"photometric": "separated"}, "the file holds CMYK colours; convert it to grey or RGB"),
        (colours("uint8"), {"photometric": "cielab"}, "the file holds CIELab colours"),
        (colours(samples=5), {"planarconfig": "contig"}, "the file holds 5 values per pixel; save it as grey or RGB"),
        (
            greys(),
            {"compression": "lzma"},
            r"compression 34925 \(LZMA\) is not read; save it with LZW, deflate or none",
        ),
        (np.zeros((4, 16, 16), "uint8"), {"volumetric": True, "tile": (4, 16, 16)}, "a volume of 4 slices"),
    ],
)
def test_what_cannot_be_measured_is_refused(tmp_path, values, options, message):
    path = write(tmp_path / "a.tif", values, **options)
    with pytest.raises(ImageReadError, match=rf"a\.tif: .*{message}") as caught:
        open_image(path)
    assert caught.value.reason == "unsupported-image"


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"compression": "lzw"}, "LZW compression"),
        ({"compression": "jpeg"}, "JPEG compression"),
        ({"bitspersample": 12}, "the way its 12-bit values are packed"),
    ],
)
def test_missing_decoders_are_named_with_the_extra(tmp_path, monkeypatch, options, what):
    values = greys("uint8") if options.get("compression") == "jpeg" else greys() % 4096
    path = write(tmp_path / "a.tif", values, **options)
    monkeypatch.setitem(sys.modules, "imagecodecs", None)
    with pytest.raises(
        ImageReadError, match=rf'{what} needs the package imagecodecs: pip install "bandkit\[tiff\]"'
    ) as caught:
        open_image(path)
    assert caught.value.reason == "missing-extra"


WITHOUT_CODECS = """
import sys
sys.modules["imagecodecs"] = None
import numpy as np
from bandkit.errors import ImageReadError
from bandkit.images import open_image
good, bomb, expected = sys.argv[1:]
for path in good.split(","):
    with open_image(path) as image:
        np.testing.assert_array_equal(image.read(0, 0, image.width_px, image.height_px), np.load(expected))
with open_image(bomb) as image:
    print(image.read(0, 0, 16, 16).tolist() == [[0] * 16] * 16)
"""


def test_common_files_need_no_extra_decoders_and_bombs_stay_small(tmp_path):
    np.save(tmp_path / "a.npy", greys())
    good = [
        write(tmp_path / f"{name}.tif", greys(), **options)
        for name, options in {
            "zlib": {"compression": "zlib", "tile": (16, 16)},
            "predictor": {"compression": "zlib", "predictor": 2, "rowsperstrip": 9},
            "big-endian": {"compression": "zlib", "byteorder": ">"},
            "packbits": {"compression": "packbits"},
            "plain": {"tile": (16, 16)},
        }.items()
    ]
    bomb = deflate_bomb(tmp_path / "bomb.tif", 50_000_000)
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_CODECS, ",".join(map(str, good)), str(bomb), str(tmp_path / "a.npy")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert done.stdout == "True\n"


def test_open_keeps_no_more_files_than_needed_and_hash(tmp_path):
    path = write(tmp_path / "a.tif", greys())
    with open_image(str(path)) as image:
        assert image.sha256() == hashlib.sha256(path.read_bytes()).hexdigest()
        assert image.path == path
    with pytest.raises(ImageReadError, match=r"a\.tif: the image cannot be decoded"):
        image.read(0, 0, 3, 3)


# -- real files, where they are at hand ----------------------------------------------------------

REAL = Path(os.environ["BANDKIT_REAL_DATA"]) if os.environ.get("BANDKIT_REAL_DATA") else None


@pytest.mark.skipif(REAL is None, reason="BANDKIT_REAL_DATA is not set")
def test_real_radiograph_and_photograph():
    folder = REAL / "sediment-core-radiograph"
    with open_image(folder / "CD166_19_S1_radiograph_adj.tif") as image:
        assert (image.width_px, image.height_px, image.bits, image.channels) == (6570, 67, 16, 1)
        assert image.resolution_mm_px == (10.0, 10.0)  # as the file says; the scanner's log says 0.2 mm
        np.testing.assert_array_equal(whole(image), tifffile.imread(image.path))
    with open_image(folder / "CD166_19_S1_optical_lowres.tif") as image:
        assert (image.width_px, image.height_px, image.bits, image.channels) == (1920, 135, 8, 3)
        assert image.resolution_mm_px == pytest.approx((10.0, 10.0))  # wrong too: it is 0.73 mm
        np.testing.assert_array_equal(whole(image), tifffile.imread(image.path))
