"""What a TIFF page says: which page to take, its compression, its colours, its resolution."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bandkit.flags import Flag
from bandkit.images.checks import missing_codecs, mm_per_px, unsupported
from bandkit.images.source import ImageHeader, Pixels

if TYPE_CHECKING:
    from tifffile import TiffFile, TiffPage

JPEG = 7
DEFLATE = (8, 32946)
_COMPRESSIONS = {
    1: "no compression",
    5: "LZW compression",
    JPEG: "JPEG compression",
    8: "deflate compression",
    32946: "deflate compression",
    32773: "PackBits compression",
    50000: "Zstandard compression",
}
_WITHOUT_CODECS = (1, 32773, *DEFLATE)
_NO_PREDICTOR, _HORIZONTAL, _FLOAT_PREDICTOR = 1, 2, 3

_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6
_UNREAD_PHOTOMETRICS = {
    4: "a mask",
    5: "CMYK colours",
    _YCBCR: "YCbCr colours",
    8: "CIELab colours",
    32803: "camera raw data",
    34892: "camera raw data",
}
_REDUCED, _MASK = 1, 4
_UNIT_MM = {2: 25.4, 3: 10.0}
_LEAST_BITS = 8
_MOST_PAGES = 32


def codecs_installed() -> bool:
    """Return whether the optional decoders are there.

    Returns
    -------
    bool
        False where ``imagecodecs`` is not installed.
    """
    return importlib.util.find_spec("imagecodecs") is not None


def full_size_page(tiff: TiffFile) -> tuple[TiffPage, tuple[Flag, ...]]:
    """Choose the first page that is the image itself, not a thumbnail of it.

    Parameters
    ----------
    tiff : TiffFile
        The open file.

    Returns
    -------
    page : TiffPage
        The first page that is not declared a reduced version or a mask and has at
        least half the pixels of the largest one.
    notes : tuple of Flag
        That there was a choice.
    """
    pages = list(_pages(tiff))
    images = [(at, page) for at, page in enumerate(pages) if not page.subfiletype & (_REDUCED | _MASK)]
    images = images or list(enumerate(pages))
    largest = max(page.imagewidth * page.imagelength for _, page in images)
    images = [(at, page) for at, page in images if 2 * page.imagewidth * page.imagelength >= largest]
    at, page = images[0]
    count = max(len(pages), pages_behind_one(page))
    if at == 0 and len(images) == 1 and count == len(pages):
        return page, ()
    more = "at least " if len(pages) == _MOST_PAGES else ""
    return page, (Flag(code="first-page-used", detail=f"page {at + 1} of {more}{count}"),)


def pages_behind_one(page: TiffPage) -> int:
    """How many pages a file keeps behind one that it describes, as some programs write stacks.

    Parameters
    ----------
    page : TiffPage
        The first page.

    Returns
    -------
    int
        1 where there is no such stack.
    """
    stacked = re.search(r"^images=(\d+)", page.description, re.MULTILINE)
    return int(stacked[1]) if stacked else 1


def _pages(tiff: TiffFile) -> Iterator[TiffPage]:
    """Give the pages up to the first that cannot be read; the first one must be readable."""
    for at in range(_MOST_PAGES):
        try:
            page = tiff.pages[at]
        except Exception:  # any class, see `reading`: a broken later page does not spoil the first
            if at == 0:
                raise
            return
        yield page  # type: ignore[misc]  # whole pages, as long as nobody asks for frames


def check_compression(path: Path, page: TiffPage) -> None:
    """Refuse what cannot be decoded, naming what is missing.

    Parameters
    ----------
    path : Path
        The file.
    page : TiffPage
        The page chosen.

    Raises
    ------
    ImageReadError
        The compression is unknown here, or needs decoders that are not installed.
    """
    if page.compression not in _COMPRESSIONS:
        name = getattr(page.compression, "name", "unknown")
        raise unsupported(
            path, f"compression {int(page.compression)} ({name}) is not read", "save it with LZW, deflate or none"
        )
    if codecs_installed():
        return
    if page.compression not in _WITHOUT_CODECS:
        raise missing_codecs(path, _COMPRESSIONS[page.compression])
    if page.predictor not in (_NO_PREDICTOR, _HORIZONTAL) or page.bitspersample % 8:
        raise missing_codecs(path, f"the way its {page.bitspersample}-bit values are packed")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Colours:
    """What the samples of a pixel mean.

    Parameters
    ----------
    kept : {1, 3}
        Samples used, from the first on.
    inverted : bool
        White is stored as zero.
    palette : ndarray, shape (n,) or (n, 3), or None
        Grey or colour of each stored value.
    notes : tuple of Flag
        What was dropped or looked up.
    """

    kept: int
    inverted: bool
    palette: Pixels | None
    notes: tuple[Flag, ...]

    @classmethod
    def of(cls, path: Path, page: TiffPage) -> Colours:
        """Read it from a page, or refuse what cannot be measured.

        Parameters
        ----------
        path : Path
            The file.
        page : TiffPage
            The page chosen.

        Returns
        -------
        Colours
            What the samples mean.

        Raises
        ------
        ImageReadError
            The page holds no greys, RGB or palette of a type that can be measured.
        """
        _check_values(path, page)
        photometric, samples = int(page.photometric), page.samplesperpixel
        if photometric == _PALETTE and samples == 1 and page.bitspersample == _LEAST_BITS:
            palette = _palette(page)
            return cls(kept=1, inverted=False, palette=palette, notes=(Flag(code="palette-colours"),))
        if photometric in (_WHITE_IS_ZERO, _BLACK_IS_ZERO):
            kept = 1
        elif photometric == _RGB or (photometric == _YCBCR and page.compression == JPEG):
            kept = 3
        else:
            what = _UNREAD_PHOTOMETRICS.get(photometric, f"colours of kind {photometric}")
            raise unsupported(path, f"the file holds {what}", "convert it to grey or RGB")
        if samples not in (kept, kept + 1):
            raise unsupported(path, f"the file holds {samples} values per pixel", "save it as grey or RGB")
        inverted = photometric == _WHITE_IS_ZERO
        notes: tuple[Flag, ...] = ()
        if inverted:
            notes += (Flag(code="inverted-greys"),)
        if samples > kept:
            notes += (Flag(code="alpha-dropped"),)
        return cls(kept=kept, inverted=inverted, palette=None, notes=notes)


def _check_values(path: Path, page: TiffPage) -> None:
    """Refuse values that are too coarse, mixed, complex, or no image of two dimensions."""
    bits: object = page.bitspersample  # a tuple where they differ
    if isinstance(bits, int) and bits < _LEAST_BITS:
        raise unsupported(path, f"the image has {bits}-bit values", "scan or save it with 8 or 16 bits")
    whole = page.dtype is not None and page.dtype.kind in "ui" and page.dtype.itemsize <= 4
    if not isinstance(bits, int) or not (whole or (page.dtype is not None and page.dtype.kind == "f")):
        raise unsupported(path, f"values of {bits} bits of this type are not read", "save it with 8 or 16 bits")
    if page.imagedepth != 1:
        raise unsupported(path, f"the page is a volume of {page.imagedepth} slices", "save the slice wanted by itself")


def _palette(page: TiffPage) -> Pixels:
    """Return the page's palette: one grey per value where all entries are grey, 8-bit where that loses nothing."""
    palette = np.asarray(page.tags.valueof(320), dtype=np.uint16).reshape(3, -1).T
    if palette.shape[0] < 2**_LEAST_BITS:
        msg = f"the palette has {palette.shape[0]} colours"
        raise ValueError(msg)
    if not (palette % 257).any():
        palette = (palette // 257).astype(np.uint8)
    return np.ascontiguousarray(palette[:, 0] if (palette == palette[:, :1]).all() else palette)


def make_header(path: Path, page: TiffPage, colours: Colours, notes: tuple[Flag, ...]) -> ImageHeader:
    """Gather what the page says about its image.

    Parameters
    ----------
    path : Path
        The file.
    page : TiffPage
        The page chosen.
    colours : Colours
        What its samples mean.
    notes : tuple of Flag
        Notes on the choice of the page.

    Returns
    -------
    ImageHeader
        The header.
    """
    channels, dtype, bits = colours.kept, np.dtype(page.dtype), page.bitspersample
    if colours.palette is not None:
        channels = 3 if colours.palette.ndim > 1 else 1
        dtype = colours.palette.dtype
        bits = 8 * dtype.itemsize
    orientation = page.tags.valueof(274)
    notes += colours.notes
    if orientation in range(2, 9):
        notes += (Flag(code="orientation-applied", detail=f"orientation {int(orientation)}"),)
    return ImageHeader(
        path=path,
        format="TIFF",
        stored_width_px=page.imagewidth,
        stored_height_px=page.imagelength,
        channels=channels,
        dtype=dtype,
        bits=bits,
        stored_resolution_mm_px=_resolution(page),
        orientation=int(orientation) if orientation in range(1, 9) else 1,
        inverted=colours.inverted,
        notes=notes,
    )


def _resolution(page: TiffPage) -> tuple[float, float] | None:
    """Return mm per px as the tags state it; a unit that is not given is the inch, a unit of "none" says nothing."""
    unit = _UNIT_MM.get(page.tags.valueof(296, default=2))
    stated = [page.tags.valueof(code) for code in (282, 283)]
    if unit is None or not all(isinstance(value, tuple) and len(value) == 2 and value[1] for value in stated):
        return None
    return mm_per_px(stated[0][0] / stated[0][1], stated[1][0] / stated[1][1], unit)
