"""PNG and JPEG files: decoded once, as a whole, when the first region is read.

Neither format can be entered in the middle. What is decoded is kept, so that
further regions cost no more than a copy.
"""

from __future__ import annotations

import contextlib
import struct
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bandkit.errors import ImageReadError
from bandkit.flags import Flag
from bandkit.images.checks import check_size, mm_per_px, quiet_logs, reading, truncated, unsupported
from bandkit.images.source import Box, ImageHeader, ImageSource, Pixels

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

_MOST_PX = 500e6
# Most that one stored byte can hold: deflate packs 1032 bytes into one; a JPEG block of 64 px takes at least one bit.
_DEFLATE_BYTES = 1032
_JPEG_PX = 1024

_GREY, _RGB, _PALETTE, _GREY_ALPHA, _RGB_ALPHA = 0, 2, 3, 4, 6
_PNG_SAMPLES = {_GREY: 1, _RGB: 3, _PALETTE: 1, _GREY_ALPHA: 2, _RGB_ALPHA: 4}
_SIXTEEN = 16
_AS_IS = ("",)
# 16-bit colours come as their upper bytes only; asked for as if the bytes were the
# other way round, they come as their lower ones. Grey with alpha fits into four plain bytes.
_SPLIT_16_BIT = {
    _RGB: ("RGB;16B", "RGB;16L"),
    _RGB_ALPHA: ("RGBA;16B", "RGBA;16L"),
    _GREY_ALPHA: ("RGBA",),
}
_ORIENTATION, _X, _Y, _UNIT = 274, 282, 283, 296
_EXIF_UNIT_MM = {2: 25.4, 3: 10.0}
_JFIF_UNIT_MM = {1: 25.4, 2: 10.0}


class PictureSource(ImageSource):
    """A PNG or JPEG file.

    Parameters
    ----------
    header : ImageHeader
        What the file says about its image.
    raw_modes : tuple of str, default ("",)
        How to decode it: one pass for each; empty for the usual way.
    """

    def __init__(self, header: ImageHeader, raw_modes: tuple[str, ...] = _AS_IS) -> None:
        super().__init__(header)
        self._raw_modes = raw_modes
        self._pictures: list[ImageFile] = []

    def close(self) -> None:
        """Let go of what was decoded."""
        for picture in self._pictures:
            picture.close()
        self._pictures = []

    def _read_stored(self, box: Box) -> Pixels:
        if not self._pictures:
            self._pictures = [_decode(self.path, self.format, raw_mode) for raw_mode in self._raw_modes]
        parts = [picture.crop(box) for picture in self._pictures]
        if parts[0].mode in ("P", "PA"):
            parts = [part.convert("RGB") for part in parts]
        bytes_or_greys = [np.asarray(part) for part in parts]
        values = bytes_or_greys[0]
        if len(parts) > 1:
            values = (values.astype(np.uint16) << 8) | bytes_or_greys[1]
        elif self._raw_modes == _SPLIT_16_BIT[_GREY_ALPHA]:
            values = np.ascontiguousarray(values).view(">u2")
        if values.ndim > 2:
            values = values[..., : self.channels] if self.channels > 1 else values[..., 0]
        return values.astype(self.dtype)


def _decode(path: Path, kind: str, raw_mode: str) -> ImageFile:
    """Decode a whole file."""
    with path.open("rb") as file:
        picture = _plugin(kind)(file)
        if raw_mode:
            picture.tile = [tile._replace(args=raw_mode) for tile in picture.tile]
        picture.load()
    return picture


def _plugin(kind: str) -> type[ImageFile]:
    """Return the reader of one format, which unlike the general one sets no limit of its own on size."""
    quiet_logs("PIL")
    if kind == "PNG":
        from PIL.PngImagePlugin import PngImageFile

        return PngImageFile
    from PIL.JpegImagePlugin import JpegImageFile

    return JpegImageFile


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ihdr:
    """The first chunk of a PNG file."""

    width: int
    height: int
    bits: int
    colours: int

    @classmethod
    def of(cls, path: Path) -> _Ihdr:
        """Read it from the file itself: the library does not tell 16-bit colours from 8-bit ones."""
        with path.open("rb") as file:
            start = file.read(26)
        if len(start) < 26 or start[12:16] != b"IHDR":
            raise truncated(path)
        width, height, bits, colours = struct.unpack(">IIBB", start[16:26])
        return cls(width=width, height=height, bits=bits, colours=colours)


def open_png(path: Path) -> PictureSource:
    """Open a PNG file, of which only the header is read.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    PictureSource
        The open image.

    Raises
    ------
    ImageReadError
        The file is damaged, too large, or has fewer than 256 greys.
    """
    with reading(path):
        ihdr = _Ihdr.of(path)
        _check_png(path, ihdr)
        with path.open("rb") as file:
            picture = _plugin("PNG")(file)
            dpi = picture.info.get("dpi", (0, 0))
            exif = _exif(picture)
            grey = ihdr.colours in (_GREY, _GREY_ALPHA) or _has_grey_palette(picture)
    notes: tuple[Flag, ...] = ()
    if ihdr.colours in (_GREY_ALPHA, _RGB_ALPHA):
        notes = (Flag(code="alpha-dropped"),)
    elif ihdr.colours == _PALETTE:
        notes = (Flag(code="palette-colours"),)
    header = _oriented(
        ImageHeader(
            path=path,
            format="PNG",
            stored_width_px=ihdr.width,
            stored_height_px=ihdr.height,
            channels=1 if grey else 3,
            dtype=np.dtype(np.uint16 if ihdr.bits == _SIXTEEN else np.uint8),
            bits=max(8, ihdr.bits),
            stored_resolution_mm_px=mm_per_px(dpi[0], dpi[1], 25.4),
            notes=notes,
        ),
        exif,
    )
    return PictureSource(header, _SPLIT_16_BIT.get(ihdr.colours, _AS_IS) if ihdr.bits == _SIXTEEN else _AS_IS)


def open_jpeg(path: Path) -> PictureSource:
    """Open a JPEG file, of which only the header is read.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    PictureSource
        The open image.

    Raises
    ------
    ImageReadError
        The file is damaged, too large, or neither grey nor in common colours.
    """
    with reading(path):
        with path.open("rb") as file:
            picture = _plugin("JPEG")(file)
            (width, height), mode, info = picture.size, picture.mode, picture.info
            exif = _exif(picture)
        check_size(path, width, height, _MOST_PX)
        _check_can_hold(path, width * height / _JPEG_PX)
    if mode not in ("L", "RGB"):
        raise unsupported(path, f"the file holds colours of kind {mode}", "convert it to grey or RGB")
    header = ImageHeader(
        path=path,
        format="JPEG",
        stored_width_px=width,
        stored_height_px=height,
        channels=1 if mode == "L" else 3,
        dtype=np.dtype(np.uint8),
        bits=8,
        stored_resolution_mm_px=_jpeg_resolution(info, exif),
    )
    return PictureSource(_oriented(header, exif))


def _check_png(path: Path, ihdr: _Ihdr) -> None:
    """Refuse a PNG that is too large, too coarse, or too short for what it declares."""
    check_size(path, ihdr.width, ihdr.height, _MOST_PX)
    if ihdr.colours not in _PNG_SAMPLES or ihdr.bits not in (1, 2, 4, 8, _SIXTEEN):
        msg = f"{path}: the header is damaged (colour type {ihdr.colours}, {ihdr.bits} bits); copy it again"
        raise ImageReadError(msg)
    if ihdr.bits < 8 and ihdr.colours != _PALETTE:
        raise unsupported(path, f"the image has {ihdr.bits}-bit values", "scan or save it with 8 or 16 bits")
    row_bytes = ihdr.width * _PNG_SAMPLES[ihdr.colours] * ihdr.bits / 8
    _check_can_hold(path, ihdr.height * row_bytes / _DEFLATE_BYTES)


def _check_can_hold(path: Path, least_bytes: float) -> None:
    """Refuse a file shorter than its image can be packed, before memory is set aside for it."""
    if path.stat().st_size < least_bytes:
        raise truncated(path)


def _has_grey_palette(picture: ImageFile) -> bool:
    """Return whether every entry of a palette is a grey; the usual question for it would decode the image."""
    if picture.palette is None:
        return False
    entries = bytes(picture.palette.palette)
    return entries[0::3] == entries[1::3] == entries[2::3]


def _exif(picture: ImageFile) -> dict[int, Any]:
    """Return the camera's notes that are used here; notes that are damaged are as good as none."""
    from PIL.Image import Exif

    exif = Exif()
    # Any class may come out of damaged notes, which are no reason to refuse the picture.
    with contextlib.suppress(Exception):
        exif.load(picture.info.get("exif", b""))
        return {code: exif[code] for code in (_ORIENTATION, _X, _Y, _UNIT) if code in exif}
    return {}


def _oriented(header: ImageHeader, exif: dict[int, Any]) -> ImageHeader:
    """Enter the camera's orientation, with a note where it turns or flips the picture."""
    orientation = exif.get(_ORIENTATION)
    if not isinstance(orientation, int) or orientation not in range(2, 9):
        return header
    note = Flag(code="orientation-applied", detail=f"orientation {orientation}")
    return replace(header, orientation=orientation, notes=(*header.notes, note))


def _jpeg_resolution(info: dict[str | tuple[int, int], Any], exif: dict[int, Any]) -> tuple[float, float] | None:
    """Return mm per px as the file header states it, else as the camera's notes do."""
    if info.get("jfif_unit") in _JFIF_UNIT_MM:
        x, y = info["jfif_density"]
        return mm_per_px(x, y, _JFIF_UNIT_MM[info["jfif_unit"]])
    unit = _EXIF_UNIT_MM.get(exif.get(_UNIT, 2))
    if unit is None or _X not in exif or _Y not in exif:
        return None
    try:
        return mm_per_px(float(exif[_X]), float(exif[_Y]), unit)
    except (TypeError, ValueError, ArithmeticError):  # a value of the wrong kind, or divided by zero
        return None
