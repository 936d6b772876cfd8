"""How a TIFF page is cut into strips or tiles, and where these lie in the file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bandkit.errors import ImageReadError
from bandkit.images.checks import check_size
from bandkit.images.source import Box

if TYPE_CHECKING:
    from tifffile import TiffPage

_MOST_PX = 4e9
_MOST_SEGMENT_PX = 500e6
_SAMPLES_APART = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """How a page is cut into strips or tiles (here: segments), and where these lie in the file.

    Parameters
    ----------
    width, height : int
        Size of the page, in px.
    segment_width, segment_height : int
        Size of a segment, in px.
    tiled : bool
        Tiles, which are stored whole even where they reach over the edge.
    planes : int
        1, or the number of samples where each has segments of its own.
    samples : int
        Samples of a pixel in one segment.
    stored_dtype : numpy.dtype
        Type of a value in the file's byte order.
    offsets, counts : tuple of int
        Place and stored length of each segment, in bytes.
    plain : bool
        Neither compressed nor packed.
    """

    width: int
    height: int
    segment_width: int
    segment_height: int
    tiled: bool
    planes: int
    samples: int
    stored_dtype: np.dtype[Any]
    offsets: tuple[int, ...]
    counts: tuple[int, ...]
    plain: bool

    @classmethod
    def of(cls, path: Path, page: TiffPage) -> Layout:
        """Read it from a page, or say what is wrong with it.

        Parameters
        ----------
        path : Path
            The file.
        page : TiffPage
            The page chosen, seen to hold a plain type of values.

        Returns
        -------
        Layout
            Where the segments are.

        Raises
        ------
        ImageReadError
            The page is too large, or segments are missing.
        """
        check_size(path, page.imagewidth, page.imagelength, _MOST_PX)
        planes = page.samplesperpixel if page.planarconfig == _SAMPLES_APART else 1
        layout = cls(
            width=page.imagewidth,
            height=page.imagelength,
            segment_width=page.tilewidth if page.is_tiled else page.imagewidth,
            segment_height=page.tilelength if page.is_tiled else min(page.rowsperstrip, page.imagelength),
            tiled=page.is_tiled,
            planes=planes,
            samples=page.samplesperpixel // planes,
            stored_dtype=np.dtype(page.dtype).newbyteorder(page.parent.byteorder),
            offsets=tuple(page.dataoffsets),
            counts=tuple(page.databytecounts),
            plain=page.compression == 1 and page.predictor == 1 and page.fillorder == 1 and page.bitspersample % 8 == 0,
        )
        segments = layout.down * layout.across * planes
        if min(len(layout.offsets), len(layout.counts)) < segments:
            msg = f"{path}: the file lists {len(layout.offsets)} of {segments} strips or tiles; scan or export it again"
            raise ImageReadError(msg)
        if not layout.in_rows:
            check_size(path, layout.segment_width, layout.segment_height, _MOST_SEGMENT_PX)
        return layout

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a value in this machine's byte order."""
        return self.stored_dtype.newbyteorder("=")

    @property
    def across(self) -> int:
        """Segments beside each other."""
        return -(-self.width // self.segment_width)

    @property
    def down(self) -> int:
        """Segments below each other."""
        return -(-self.height // self.segment_height)

    @property
    def in_rows(self) -> bool:
        """Whether all rows of a plane lie in the file one after another, as in memory."""
        if self.tiled or not self.plain:
            return False
        strip_bytes = self.segment_height * self.width * self.samples * self.stored_dtype.itemsize
        steps = np.diff(np.asarray(self.offsets[: self.down * self.planes], dtype=np.int64).reshape(self.planes, -1))
        return min(self.offsets) > 0 and bool((steps == strip_bytes).all())

    def segment_shape(self, index: int) -> tuple[int, int]:
        """Rows and columns that a segment decodes to.

        Parameters
        ----------
        index : int
            Number of the segment.

        Returns
        -------
        (int, int)
            A last strip is shorter, a last tile is not.
        """
        return (self.segment_height, self.segment_width) if self.tiled else self.visible_shape(index)

    def visible_shape(self, index: int) -> tuple[int, int]:
        """Rows and columns of a segment that lie in the image.

        Parameters
        ----------
        index : int
            Number of the segment.

        Returns
        -------
        (int, int)
            Rows and columns.
        """
        row, column = divmod(index % (self.down * self.across), self.across)
        return (
            min(self.segment_height, self.height - row * self.segment_height),
            min(self.segment_width, self.width - column * self.segment_width),
        )

    def meeting(self, box: Box, plane: int) -> Iterator[tuple[int, int, int]]:
        """Find the segments that meet a box.

        Parameters
        ----------
        box : (int, int, int, int)
            x0, y0, x1, y1 in px.
        plane : int
            Number of the plane.

        Yields
        ------
        (int, int, int)
            Number of the segment, and the x and y of its first pixel.
        """
        x0, y0, x1, y1 = box
        for row in range(y0 // self.segment_height, -(-y1 // self.segment_height)):
            for column in range(x0 // self.segment_width, -(-x1 // self.segment_width)):
                index = (plane * self.down + row) * self.across + column
                yield index, column * self.segment_width, row * self.segment_height
