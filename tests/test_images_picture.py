"""PNG and JPEG files: no bit is lost, the camera's orientation is applied."""

from __future__ import annotations

import io
import struct
import zlib

import imagecodecs
import numpy as np
import pytest
from image_files import HEIGHT, WIDTH, chunk, codes, corners, pixels, whole, write_png
from PIL import Image, PngImagePlugin

from bandkit.errors import ImageReadError
from bandkit.images import open_image
from bandkit.images.blocks import block_means


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("samples", [1, 2, 3, 4])
@pytest.mark.parametrize("interlaced", [False, True])
@pytest.mark.parametrize("filtered", [0, 1])
def test_png_keeps_every_bit(tmp_path, dtype, samples, interlaced, filtered):
    values = pixels(dtype, samples)
    path = write_png(tmp_path / "a.png", values, interlaced=interlaced, filtered=filtered)
    expected = values[..., 0] if samples < 3 else values[..., :3]
    with open_image(path) as image:
        assert (image.width_px, image.height_px, image.format) == (WIDTH, HEIGHT, "PNG")
        assert (image.channels, image.dtype) == (1 if samples < 3 else 3, np.dtype(dtype))
        assert (image.bits, image.full_scale) == (8 * values.itemsize, np.iinfo(dtype).max)
        assert codes(image) == (["alpha-dropped"] if samples in (2, 4) else [])
        np.testing.assert_array_equal(whole(image), expected)
        np.testing.assert_array_equal(image.read(7, 20, 40, 21), expected[20:21, 7:40])
        assert image.read(7, 20, 40, 21).dtype == np.dtype(dtype)
        assert image.read(7, 20, 40, 21).flags.writeable


@pytest.mark.parametrize("samples", [2, 3, 4])
def test_png_of_another_writer_with_all_its_filters(tmp_path, samples):
    values = np.cumsum(np.random.default_rng(5).integers(0, 300, (HEIGHT, WIDTH, samples)), axis=0).astype("uint16")
    path = tmp_path / "a.png"
    path.write_bytes(imagecodecs.png_encode(values, level=9))
    with open_image(path) as image:
        np.testing.assert_array_equal(whole(image), values[..., 0] if samples == 2 else values[..., :3])


@pytest.mark.parametrize("grey", [False, True])
@pytest.mark.parametrize("bits", [2, 8])
def test_png_palette(tmp_path, grey, bits):
    indices = (np.arange(HEIGHT * WIDTH).reshape(HEIGHT, WIDTH) % 2**bits).astype(np.uint8)
    entries = np.arange(2**bits) * (255 // (2**bits - 1))
    palette = np.stack([entries, entries if grey else entries[::-1], entries], axis=1).astype(np.uint8)
    picture = Image.fromarray(indices, "P")
    picture.putpalette(palette.tobytes())
    picture.save(tmp_path / "a.png", bits=bits)
    with open_image(tmp_path / "a.png") as image:
        assert (codes(image), image.channels) == (["palette-colours"], 1 if grey else 3)
        expected = palette[indices]
        np.testing.assert_array_equal(whole(image), expected[..., 0] if grey else expected)


def test_png_resolution_and_orientation(tmp_path):
    exif = Image.Exif()
    exif[274] = 6
    extra = chunk(b"pHYs", struct.pack(">IIB", 10000, 20000, 1)) + chunk(b"eXIf", exif.tobytes()[6:])
    values = pixels("uint16", 3)
    with open_image(write_png(tmp_path / "a.png", values, extra=extra)) as image:
        assert codes(image) == ["orientation-applied"]
        assert image.resolution_mm_px == pytest.approx((0.05, 0.1))
        np.testing.assert_array_equal(whole(image), np.rot90(values, -1))


@pytest.mark.parametrize("phys", [(1000, 1000, 0), (0, 1000, 1)])
def test_png_resolution_that_says_nothing(tmp_path, phys):
    extra = chunk(b"pHYs", struct.pack(">IIB", *phys))
    with open_image(write_png(tmp_path / "a.png", pixels("uint8", 1), extra=extra)) as image:
        assert image.resolution_mm_px is None


def test_png_overview(tmp_path, monkeypatch):
    monkeypatch.setattr("bandkit.images.source._BAND_BYTES", 2000)
    values = pixels("uint16", 3)
    with open_image(write_png(tmp_path / "a.png", values)) as image:
        overview = image.overview(20)
        np.testing.assert_array_equal(overview.values, block_means(values, 5))


@pytest.mark.parametrize(("samples", "passes"), [(1, 1), (2, 1), (3, 2), (4, 2)])
def test_pictures_are_decoded_when_read_and_only_once(tmp_path, monkeypatch, samples, passes):
    loads = []
    original = PngImagePlugin.PngImageFile.load_prepare
    monkeypatch.setattr(PngImagePlugin.PngImageFile, "load_prepare", lambda self: (loads.append(1), original(self))[1])
    with open_image(write_png(tmp_path / "a.png", pixels("uint16", samples))) as image:
        assert loads == []
        for row in range(5):
            image.read(0, row, 10, row + 1)
    assert len(loads) == passes


@pytest.mark.parametrize("bits", [1, 4])
def test_png_with_too_few_greys_is_refused(tmp_path, bits):
    head = struct.pack(">IIBBBBB", 8, 8, bits, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(8 * (1 + bits)))) + chunk(b"IEND", b"")
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + body)
    with pytest.raises(ImageReadError, match=rf"a\.png: the image has {bits}-bit values; scan or save it with 8 or 16"):
        open_image(tmp_path / "a.png")


# -- JPEG ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_jpeg_orientation_is_applied(tmp_path, orientation, mode):
    exif = Image.Exif()
    exif[274] = orientation
    path = tmp_path / "a.jpg"
    corners(mode).save(path, quality=95, exif=exif)
    turned = {
        1: "[[40,90],[140,200]]",
        2: "[[90,40],[200,140]]",
        3: "[[200,140],[90,40]]",
        4: "[[140,200],[40,90]]",
        5: "[[40,140],[90,200]]",
        6: "[[140,40],[200,90]]",
        7: "[[200,90],[140,40]]",
        8: "[[90,200],[40,140]]",
    }
    with open_image(path) as image:
        assert (image.channels, image.bits, image.dtype) == (1 if mode == "L" else 3, 8, np.uint8)
        assert (image.width_px, image.height_px) == ((96, 64) if orientation < 5 else (64, 96))
        assert codes(image) == ([] if orientation == 1 else ["orientation-applied"])
        values = whole(image) if mode == "L" else whole(image)[..., 1]
        rows, columns = values.shape[0] // 4, values.shape[1] // 4
        quarters = values[rows :: 2 * rows, columns :: 2 * columns].tolist()
        assert str(quarters).replace(" ", "") == turned[orientation]
        right = image.read(image.width_px - 10, 3, image.width_px, 9)
        np.testing.assert_array_equal(right, whole(image)[3:9, -10:])


def exif_of(**tags) -> Image.Exif:
    exif = Image.Exif()
    for name, value in tags.items():
        exif[{"x": 282, "y": 283, "unit": 296}[name]] = value
    return exif


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({"dpi": (254, 127)}, (0.1, 0.2)),
        ({}, None),  # a density of 1 without a unit is a shape of pixels
        ({"exif": exif_of(x=254.0, y=127.0, unit=2)}, (0.1, 0.2)),
        ({"exif": exif_of(x=100.0, y=50.0, unit=3)}, (0.1, 0.2)),
        ({"exif": exif_of(x=100.0, y=50.0, unit=1)}, None),
        ({"exif": exif_of(x=100.0, unit=2)}, None),
        ({"exif": exif_of(x=0.0, y=0.0, unit=2)}, None),
    ],
)
def test_jpeg_resolution(tmp_path, options, expected):
    corners("RGB").save(tmp_path / "a.jpg", **options)
    with open_image(tmp_path / "a.jpg") as image:
        assert image.resolution_mm_px == (pytest.approx(expected) if expected else None)


def test_jpeg_with_damaged_camera_notes_is_still_read(tmp_path):
    corners("RGB").save(tmp_path / "a.jpg", exif=b"Exif\x00\x00II*\x00\xff\xff\xff\xff" + b"\x07" * 40)
    with open_image(tmp_path / "a.jpg") as image:
        assert image.notes == ()
        assert whole(image).shape == (64, 96, 3)


def test_jpeg_in_printers_colours_is_refused(tmp_path):
    corners("CMYK").save(tmp_path / "a.jpg")
    with pytest.raises(ImageReadError, match=r"a\.jpg: the file holds colours of kind CMYK; convert it to grey or RGB"):
        open_image(tmp_path / "a.jpg")


def test_format_is_told_from_content_not_from_the_name(tmp_path):
    buffer = io.BytesIO()
    corners("L").save(buffer, "JPEG")
    (tmp_path / "slab.tif").write_bytes(buffer.getvalue())
    with open_image(tmp_path / "slab.tif") as image:
        assert image.format == "JPEG"
