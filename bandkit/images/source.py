"""What every opened image offers, whatever the file format.

A reader for one format gives an `ImageHeader` and one method that returns a
box of stored pixels. Orientation, inverted greys, overviews and clear errors
are the same for all formats and live here.
"""

from __future__ import annotations

import hashlib
import operator
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import numpy as np
import numpy.typing as npt

from bandkit.errors import InputError
from bandkit.flags import Flag
from bandkit.images.blocks import block_means
from bandkit.images.checks import reading

Pixels = npt.NDArray[Any]
SpacingAt = Literal["object", "detector", "unclear", "tags"]
Box = tuple[int, int, int, int]
"""x0, y0, x1, y1 in whole pixels; x1 and y1 are the first ones outside."""

_BAND_BYTES = 8_000_000
# EXIF orientation -> displayed image from the stored one: transposed first, then flipped in x, in y.
_ORIENTATIONS = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageHeader:
    """What the file says about its image, before any pixel is read.

    Parameters
    ----------
    path : Path
        The file.
    format : {"TIFF", "PNG", "JPEG", "DICOM"}
        Told from its content.
    stored_width_px, stored_height_px : int
        Size as stored, before the orientation is applied.
    channels : {1, 3}
        1 for greys, 3 for red, green, blue. Transparency is dropped.
    dtype : numpy.dtype
        Type of the values, in the byte order of this machine.
    bits : int
        Bits of one value that the file uses; less than ``dtype`` holds for, say, 12-bit greys.
    stored_resolution_mm_px : (float, float) or None
        Millimetres per pixel along stored x and y as the file states it.
    orientation : int, default 1
        EXIF orientation, 1 to 8.
    inverted : bool, default False
        The file stores white as zero.
    notes : tuple of Flag, default empty
        What a person should know about how the file was read.
    spacing_at : {"object", "detector", "unclear", "tags"}
        Where the stated resolution holds: in the thing itself, in its X-ray shadow, in one of both; "tags" are the
        dots per inch of a picture file, which say nothing of a thing.
    magnification : float or None
        How much larger the X-ray shadow is than the thing, where the file says so.
    acquisition : mapping
        How the picture was made, as far as the file says: tube voltage and the like.
    modality : str
        What made it, in the letters of DICOM such as "CT" or "DX"; empty where the file does not say.
    """

    path: Path
    format: str
    stored_width_px: int
    stored_height_px: int
    channels: int
    dtype: np.dtype[Any]
    bits: int
    stored_resolution_mm_px: tuple[float, float] | None = None
    orientation: int = 1
    inverted: bool = False
    notes: tuple[Flag, ...] = ()
    spacing_at: SpacingAt = "tags"
    magnification: float | None = None
    acquisition: Mapping[str, float | str] = field(default_factory=dict)
    modality: str = ""

    @property
    def transposed(self) -> bool:
        """Whether the displayed image has the stored one's x and y exchanged."""
        return _ORIENTATIONS[self.orientation][0]

    @property
    def width_px(self) -> int:
        """Width as displayed."""
        return self.stored_height_px if self.transposed else self.stored_width_px

    @property
    def height_px(self) -> int:
        """Height as displayed."""
        return self.stored_width_px if self.transposed else self.stored_height_px

    @property
    def resolution_mm_px(self) -> tuple[float, float] | None:
        """Millimetres per pixel along displayed x and y; None where the file does not say."""
        stored = self.stored_resolution_mm_px
        return stored if stored is None or not self.transposed else (stored[1], stored[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overview:
    """A small version of an image, each value the mean of a square block.

    Parameters
    ----------
    values : float32 ndarray, shape (h, w) or (h, w, 3)
        Block means in the image's own units. Blocks at the right and lower edge
        may be cut; values that are no number are left out of a mean.
    step_px : int
        Side of a block, in px.

    Notes
    -----
    The centre of column ``c`` lies at ``x_px = (c + 0.5) * step_px - 0.5``,
    rows alike; for a cut block at the edge this is the centre it would have whole.
    """

    values: npt.NDArray[np.float32]
    step_px: int


class ImageSource(ABC):
    """An open image of which regions can be read. Not for use from several threads at once.

    Parameters
    ----------
    header : ImageHeader
        What the file says about its image.
    """

    def __init__(self, header: ImageHeader) -> None:
        self.header = header
        self._found: tuple[Flag, ...] = ()
        self._float_full_scale: float | None = None

    # -- what the file says ------------------------------------------------------------------

    @property
    def path(self) -> Path:
        """The file."""
        return self.header.path

    @property
    def format(self) -> str:
        """``TIFF``, ``PNG``, ``JPEG`` or ``DICOM``; what a volume was cut from where it was."""
        return self.header.format

    @property
    def width_px(self) -> int:
        """Width as displayed."""
        return self.header.width_px

    @property
    def height_px(self) -> int:
        """Height as displayed."""
        return self.header.height_px

    @property
    def channels(self) -> int:
        """1 for greys, 3 for red, green, blue."""
        return self.header.channels

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the values that `read` returns."""
        return self.header.dtype

    @property
    def bits(self) -> int:
        """Bits of one value that the file uses."""
        return self.header.bits

    @property
    def resolution_mm_px(self) -> tuple[float, float] | None:
        """Millimetres per pixel along x and y as the file states it: often wrong."""
        return self.header.resolution_mm_px

    @property
    def spacing_at(self) -> SpacingAt:
        """Where the stated resolution holds: ``object``, ``detector``, ``unclear`` or ``tags``."""
        return self.header.spacing_at

    @property
    def magnification(self) -> float | None:
        """How much larger an X-ray shadow is than the thing, where the file says so."""
        return self.header.magnification

    @property
    def acquisition(self) -> Mapping[str, float | str]:
        """How the picture was made, as far as the file says."""
        return self.header.acquisition

    @property
    def notes(self) -> tuple[Flag, ...]:
        """What a person should know about how the file was read; may grow as more of it is read."""
        return self.header.notes + self._found

    @property
    def full_scale(self) -> float:
        """The largest value that the image can hold.

        For whole numbers it follows from the bits in use. Floating-point images have
        none: 1.0 is taken where nothing is brighter, otherwise the brightest
        value there is, for which the whole image is read once.
        """
        if self.dtype.kind == "u":
            return float(2**self.bits - 1)
        if self.dtype.kind == "i":
            return float(2 ** (self.bits - 1) - 1)
        if self._float_full_scale is None:
            brightest = 0.0
            for box in self._bands(1):
                band = self._stored(self._stored_box(box))
                brightest = max(brightest, float(np.max(band, where=np.isfinite(band), initial=0.0)))
            self._float_full_scale = max(1.0, brightest)
        return self._float_full_scale

    # -- pixels ------------------------------------------------------------------------------

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        """Read a box of pixels; only the parts of the file that it needs are decoded.

        Parameters
        ----------
        x0, y0 : int
            Upper left pixel of the box.
        x1, y1 : int
            First column and row outside the box, to its right and below.

        Returns
        -------
        ndarray, shape (h, w) or (h, w, 3)
            A copy of the values, in the file's own type, as displayed: orientation
            applied, and greys of a file that stores white as zero turned round.
            In floating-point images whatever is not finite is NaN.

        Raises
        ------
        InputError
            The box is empty or reaches outside the image.
        ImageReadError
            The part of the file that holds the box cannot be decoded.
        """
        box = (operator.index(x0), operator.index(y0), operator.index(x1), operator.index(y1))
        x0, y0, x1, y1 = box
        if not (0 <= x0 < x1 <= self.width_px and 0 <= y0 < y1 <= self.height_px):
            size = f"{self.width_px} x {self.height_px} px"
            msg = f"{self.path}: box {list(box)} must lie inside the image, {size}, and not be empty"
            raise InputError(msg)
        values = self._turned(self._stored(self._stored_box(box)))
        if self.header.inverted:
            values = ~values if self.dtype.kind == "i" else (self.dtype.type(self.full_scale) - values)
        if self.dtype.kind == "f":
            values = self._finite_or_nan(values)
        return np.ascontiguousarray(values)

    def overview(self, max_side_px: int = 1600) -> Overview:
        """Return a small version of the whole image, read band by band in bounded memory.

        Parameters
        ----------
        max_side_px : int, default 1600
            The longer side is no longer than this. The default fills a screen.

        Returns
        -------
        Overview
            Block means and the side of a block.

        Raises
        ------
        InputError
            ``max_side_px`` is not at least 1.
        ImageReadError
            The file cannot be decoded.
        """
        if max_side_px < 1:
            msg = f"max_side_px: must be at least 1, got {max_side_px}"
            raise InputError(msg)
        width, height = self.width_px, self.height_px
        step = -(-max(width, height) // max_side_px)
        shape = (-(-height // step), -(-width // step)) + ((3,) if self.channels == 3 else ())
        values = np.empty(shape, dtype=np.float32)
        for x0, y0, x1, y1 in self._bands(step):
            part = block_means(self.read(x0, y0, x1, y1), step)
            row, column = y0 // step, x0 // step
            values[row : row + part.shape[0], column : column + part.shape[1]] = part
        return Overview(values=values, step_px=step)

    def sha256(self) -> str:
        """Return the SHA-256 hash of the file, in hexadecimal.

        Returns
        -------
        str
            64 digits.

        Raises
        ------
        ImageReadError
            The file cannot be read any more.
        """
        with reading(self.path), self.path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    # -- the reader of one format ------------------------------------------------------------

    @abstractmethod
    def _read_stored(self, box: Box) -> Pixels:
        """Decode a box of the stored image, in native byte order: (h, w) or (h, w, 3)."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the file and of what was decoded."""

    # -- helpers -----------------------------------------------------------------------------

    def _stored(self, box: Box) -> Pixels:
        """Read a box of stored pixels, or say clearly why not."""
        with reading(self.path):
            return self._read_stored(box)

    def _stored_box(self, box: Box) -> Box:
        """Where a displayed box lies in the stored image."""
        transposed, flip_x, flip_y = _ORIENTATIONS[self.header.orientation]
        x0, y0, x1, y1 = box
        if flip_x:
            x0, x1 = self.width_px - x1, self.width_px - x0
        if flip_y:
            y0, y1 = self.height_px - y1, self.height_px - y0
        return (y0, x0, y1, x1) if transposed else (x0, y0, x1, y1)

    def _turned(self, values: Pixels) -> Pixels:
        """Stored pixels turned the way they are displayed."""
        transposed, flip_x, flip_y = _ORIENTATIONS[self.header.orientation]
        if transposed:
            values = values.swapaxes(0, 1)
        if flip_x:
            values = values[:, ::-1]
        return values[::-1] if flip_y else values

    def _bands(self, step: int) -> Iterator[Box]:
        """Displayed boxes that cover the image in stored order, whole blocks thick and of bounded size."""
        # A band is a run of stored rows; these are displayed as columns where x and y are exchanged.
        width, height = self.width_px, self.height_px
        across, length = (height, width) if self.header.transposed else (width, height)
        row_bytes = across * self.channels * self.dtype.itemsize
        rows = max(1, _BAND_BYTES // row_bytes // step) * step
        for start in range(0, length, rows):
            end = min(start + rows, length)
            yield (start, 0, end, height) if self.header.transposed else (0, start, width, end)

    def _finite_or_nan(self, values: Pixels) -> Pixels:
        """Infinite values made NaN; the first time that any value is not finite, a note says so."""
        finite = np.isfinite(values)
        if finite.all():
            return values
        if not self._found:
            self._found = (Flag(code="missing-values", detail=self.path.name),)
        return np.where(finite, values, self.dtype.type(np.nan))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
