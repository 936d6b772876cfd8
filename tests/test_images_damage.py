"""Bad files: one clear line that names the file and what to do, and nothing else, ever."""

from __future__ import annotations

import io
import os
import struct
import warnings
from pathlib import Path

import numpy as np
import pytest
import tifffile
from image_files import chunk, corners, deflate_bomb, greys, pixels, retag, whole, write, write_png
from PIL import Image

from bandkit.errors import ImageReadError
from bandkit.images import open_image
from bandkit.images.tiff_page import full_size_page


def refuse(path: Path, message: str, reason: str) -> None:
    """Open and read, and see it refused in one line that begins with the file."""
    with pytest.raises(ImageReadError, match=message) as caught, open_image(path) as image:
        whole(image)
    assert caught.value.reason == reason
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_missing_folder_empty_and_special(tmp_path):
    (tmp_path / "empty.tif").touch()
    refuse(tmp_path / "none.tif", r"none\.tif: no such file; check the name", "missing-image")
    refuse(tmp_path / "empty.tif" / "a.tif", "the file cannot be opened", "unreadable-image")
    refuse(tmp_path, "this is a folder, not an image; name the file in it", "unreadable-image")
    refuse(tmp_path / "empty.tif", r"the file is empty \(0 bytes\); copy it again", "unreadable-image")
    os.mkfifo(tmp_path / "pipe.tif")
    refuse(tmp_path / "pipe.tif", "this is not a regular file", "unreadable-image")
    refuse(Path("nul\0.tif"), "the file cannot be opened", "unreadable-image")


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"these are my notes on the slab\n", "no image known here"),
        (b"BM" + bytes(60), "a BMP image"),
        (b"GIF89a" + bytes(60), "a GIF image"),
        (b"RIFF\0\0\0\0WEBPVP8 ", "a WebP image"),
        (b"\0\0\0\x18ftypheic", "a HEIF or AVIF image"),
        (b"\0\0\0\x0cjP  \r\n", "a JPEG 2000 image"),
        (b"%PDF-1.7", "a PDF document"),
        (b"PK\x03\x04", "a zip archive"),
        (b"II", "no image known here"),
    ],
)
def test_other_kinds_of_file_named_tif(tmp_path, content, what):
    (tmp_path / "a.tif").write_bytes(content)
    refuse(tmp_path / "a.tif", rf"this is {what}.*save the picture as TIFF, PNG or JPEG", "unknown-format")


@pytest.mark.parametrize("preamble", [bytes(128), b"II*\0" + bytes(124)])
def test_dicom_is_named(tmp_path, preamble):
    (tmp_path / "a.dcm").write_bytes(preamble + b"DICM" + bytes(100))
    refuse(tmp_path / "a.dcm", "this DICOM file holds no picture; name the file with the picture", "no-picture")


# -- truncated -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "options", [{}, {"compression": "zlib", "rowsperstrip": 10}, {"compression": "lzw", "tile": (16, 16)}]
)
def test_truncated_tiff_is_read_as_far_as_it_goes(tmp_path, options):
    path = write(tmp_path / "a.tif", greys(), **options)  # its tags stand before the pixels
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with open_image(path) as image:
        np.testing.assert_array_equal(image.read(0, 0, 61, 20), greys()[:20])
        with pytest.raises(ImageReadError, match=r"a\.tif: the file ends before the part .* copy it again") as caught:
            image.read(0, 60, 61, 80)
        assert caught.value.reason == "truncated-image"


def test_tiff_cut_off_before_its_tags(tmp_path):
    path = write(tmp_path / "a.tif", greys())
    path.write_bytes(path.read_bytes()[:20])
    refuse(path, "the image cannot be decoded", "unreadable-image")


def test_tiff_whose_writing_was_broken_off(tmp_path):
    path = write(tmp_path / "a.tif", greys(), compression="zlib", rowsperstrip=10)
    with tifffile.TiffFile(path) as tiff:
        tag = tiff.pages[0].tags[279]
        at = tag.valueoffset
    content = bytearray(path.read_bytes())
    assert struct.unpack_from("<H" if tag.dtype == 3 else "<I", content, at)[0] == tag.value[0]
    content[at : at + (2 if tag.dtype == 3 else 4)] = bytes(2 if tag.dtype == 3 else 4)
    path.write_bytes(content)
    with open_image(path) as image:
        np.testing.assert_array_equal(image.read(0, 10, 61, 20), greys()[10:20])
        with pytest.raises(ImageReadError, match=r"strip or tile 0 is missing or has an impossible length, 0 bytes"):
            image.read(0, 0, 61, 5)


@pytest.mark.parametrize("samples", [1, 3])
def test_truncated_png_and_jpeg(tmp_path, samples):
    png = write_png(tmp_path / "a.png", pixels("uint16", samples))
    png.write_bytes(png.read_bytes()[:-800])
    refuse(png, "the file ends before the part of the image that is needed", "truncated-image")
    corners("RGB").save(tmp_path / "a.jpg")
    (tmp_path / "a.jpg").write_bytes((tmp_path / "a.jpg").read_bytes()[:-200])
    refuse(tmp_path / "a.jpg", "the file ends before the part", "truncated-image")


# -- bombs ---------------------------------------------------------------------------------------


def test_png_that_declares_too_much(tmp_path):
    for width, height, message, reason in [
        (40000, 40000, "declares 40000 x 40000 px, more than the 500 million", "image-too-large"),
        (20000, 20000, "the file ends before the part", "truncated-image"),
        (0, 100, "the image is empty, 0 x 100 px", "unreadable-image"),
    ]:
        head = struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)
        (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", b"x\x9c"))
        refuse(tmp_path / "a.png", message, reason)


def test_jpeg_that_declares_too_much(tmp_path):
    buffer = io.BytesIO()
    corners("L").save(buffer, "JPEG")
    at = buffer.getvalue().index(b"\xff\xc0") + 5
    for side, message, reason in [
        (60000, "more than the 500 million", "image-too-large"),
        (20000, "ends before", "truncated-image"),
    ]:
        content = bytearray(buffer.getvalue())
        content[at : at + 4] = struct.pack(">HH", side, side)
        (tmp_path / "a.jpg").write_bytes(content)
        refuse(tmp_path / "a.jpg", message, reason)


def test_tiff_that_declares_too_much(tmp_path):
    for code_values, message, reason in [
        ({256: 90000, 257: 90000}, "declares 90000 x 90000 px, more than the 4000 million", "image-too-large"),
        ({322: 32768, 323: 32768}, "declares 32768 x 32768 px, more than the 500 million", "image-too-large"),
        ({256: 6000}, "the file lists 12 of 1125 strips or tiles; scan or export it again", "unreadable-image"),
    ]:
        path = write(tmp_path / "a.tif", greys("uint16", 48, 64), tile=(16, 16), compression="zlib")
        for code, value in code_values.items():
            retag(path, code, value)
        refuse(path, message, reason)


def test_tile_that_unpacks_to_more_than_it_has(tmp_path):
    refuse(deflate_bomb(tmp_path / "a.tif", 50_000_000), "cannot be decoded", "unreadable-image")
    refuse(deflate_bomb(tmp_path / "b.tif", 200_000_000), "has an impossible length, 194409 bytes", "unreadable-image")


def test_jpeg_tile_that_declares_more_than_it_has(tmp_path):
    path = write(tmp_path / "a.tif", greys("uint8", 64, 64), compression="jpeg", tile=(64, 64))
    content = bytearray(path.read_bytes())
    at = content.index(b"\xff\xc0") + 5
    content[at : at + 4] = struct.pack(">HH", 60000, 60000)
    path.write_bytes(content)
    refuse(path, "a strip or tile says it has 60000 x 60000 px, more than fit", "unreadable-image")


def test_memory_that_is_not_there(tmp_path, monkeypatch):
    path = write(tmp_path / "a.tif", greys())
    with open_image(path) as image:
        monkeypatch.setattr(image, "_read_stored", lambda box: (_ for _ in ()).throw(MemoryError))
        with pytest.raises(ImageReadError, match="not enough memory to decode the image") as caught:
            whole(image)
    assert caught.value.reason == "out-of-memory"


# -- anything at all -----------------------------------------------------------------------------


def tiff_bytes(**options) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, greys("uint16", 48, 64), metadata=None, photometric="minisblack", **options)
    return buffer.getvalue()


def pages_bytes() -> bytes:
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer) as tiff:
        for step in (1, 2, 4):
            tiff.write(
                greys("uint8", 48, 64)[::step, ::step], subfiletype=int(step > 1), compression="lzw", tile=(16, 16)
            )
    return buffer.getvalue()


def picture_bytes(kind: str, mode: str) -> bytes:
    buffer = io.BytesIO()
    noise = np.random.default_rng(0).integers(0, 40, (64, 96), dtype=np.uint8)
    exif = Image.Exif()
    exif[274] = 6
    Image.fromarray(np.asarray(corners("L")) + noise).convert(mode).save(buffer, kind, exif=exif, dpi=(300, 300))
    return buffer.getvalue()


def mutated(content: bytes, rng: np.random.Generator) -> bytes:
    """Change, cut out, repeat or cut off bytes, mostly near the start, where the header is."""
    data = bytearray(content)
    reach = len(data) if rng.random() < 0.4 else min(len(data), 400)
    for _ in range(rng.integers(1, 6)):
        at = int(rng.integers(0, max(1, min(reach, len(data)))))
        match rng.integers(0, 5):
            case 0 | 1:
                data[at : at + 1] = bytes([rng.integers(0, 256)])
            case 2:
                data[at : at + 4] = rng.choice(
                    [b"\xff\xff\xff\xff", bytes(4), b"\xff\xff\xff\x7f", b"\x00\x00\x01\x00"]
                )
            case 3:
                del data[at : at + int(rng.integers(1, 30))]
            case _:
                if rng.random() < 0.3:
                    del data[at:]
    return bytes(data)


SEEDS = {
    "tiff": tiff_bytes(),
    "tiff-big-endian": tiff_bytes(byteorder=">", bigtiff=True, rowsperstrip=5),
    "tiff-zlib": tiff_bytes(compression="zlib", predictor=2, tile=(16, 16)),
    "tiff-pages": pages_bytes(),
    "png": picture_bytes("PNG", "L"),
    "png-rgb": picture_bytes("PNG", "RGB"),
    "jpeg": picture_bytes("JPEG", "RGB"),
}


def try_to_read(path: Path) -> str | None:
    """Return the error's one line, or None where something sensible was read."""
    try:
        with open_image(path) as image:
            values = image.read(0, 0, min(64, image.width_px), min(48, image.height_px))
            scale, full_scale = image.resolution_mm_px, image.full_scale
            dtype = image.dtype
    except ImageReadError as err:
        message = str(err)
    else:
        assert values.dtype == dtype
        assert scale is None or min(scale) > 0
        assert full_scale > 0
        return None
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    return message


@pytest.mark.parametrize("kind", SEEDS)
def test_damaged_files_give_a_clear_error_or_a_result(tmp_path, kind, capfd):
    rng = np.random.default_rng(sum(map(ord, kind)))
    path = tmp_path / "damaged"
    results, errors = 0, set()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for _ in range(300):
            path.write_bytes(mutated(SEEDS[kind], rng))
            message = try_to_read(path)
            results += message is None
            errors |= {message} - {None}
    assert results > 10
    assert len(errors) > 5
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("share", np.linspace(0, 1, 12)[:-1])
@pytest.mark.parametrize("kind", SEEDS)
def test_cut_off_files_give_a_clear_error_or_a_result(tmp_path, kind, share):
    path = tmp_path / "cut"
    path.write_bytes(SEEDS[kind][: 1 + int(share * len(SEEDS[kind]))])
    try_to_read(path)


def test_a_broken_later_page_does_not_spoil_the_first():
    class Pages:
        def __getitem__(self, at):
            if at:
                raise struct.error
            with tifffile.TiffFile(io.BytesIO(tiff_bytes())) as tiff:
                return tiff.pages[0]

    page, notes = full_size_page(type("Tiff", (), {"pages": Pages()})())
    assert (page.imagewidth, notes) == (64, ())
