"""TIFF files: only the strips or tiles that a region needs are decoded.

The TIFF library is called here and nowhere else, and only at the level of single
pages (tags, offsets, byte counts, decode), which has stayed the same for years.
"""

from __future__ import annotations

import os
import zlib
from collections import OrderedDict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bandkit.errors import ImageReadError
from bandkit.images.checks import quiet_logs, reading, truncated
from bandkit.images.source import Box, ImageSource, Pixels
from bandkit.images.tiff_layout import Layout
from bandkit.images.tiff_page import (
    DEFLATE,
    JPEG,
    Colours,
    check_compression,
    codecs_installed,
    full_size_page,
    make_header,
    pages_behind_one,
)

if TYPE_CHECKING:
    from tifffile import TiffFile, TiffPage

_CACHE_BYTES = 64_000_000
# Fewer than this are decoded one after the other: starting threads costs more.
_FEW_SEGMENTS = 8
_DECODE_THREADS = 4


class TiffSource(ImageSource):
    """The first full-size page of a TIFF file.

    Parameters
    ----------
    path : Path
        The file.
    pages : TiffPages, optional
        The same file as a stack of pages, of which one is wanted.
    number : int, default 0
        Which page of the stack.

    Raises
    ------
    ImageReadError
        The file is damaged, or holds what cannot be measured.
    """

    def __init__(self, path: Path, pages: TiffPages | None = None, number: int = 0) -> None:
        with reading(path):
            tiff = _open_tiff(path) if pages is None else pages.tiff
            try:
                self._page, page_notes = full_size_page(tiff) if pages is None else (pages.page(number), ())
                self._colours = Colours.of(path, self._page)
                check_compression(path, self._page)
                self._layout = Layout.of(path, self._page)
                if pages is not None:
                    self._layout = pages.layout_of(number, self._layout)
                header = make_header(path, self._page, self._colours, page_notes)
                self._decode = self._page.decode  # looks into the file once, then works on bytes alone
            finally:
                if pages is None:
                    tiff.close()
            self._file = path.open("rb")
        super().__init__(header)
        self._size = os.fstat(self._file.fileno()).st_size
        self._in_rows = self._layout.in_rows
        self._cache = _SegmentCache(_CACHE_BYTES)

    def close(self) -> None:
        """Let go of the file and of what was decoded."""
        self._file.close()
        self._cache = _SegmentCache(_CACHE_BYTES)

    def _read_stored(self, box: Box) -> Pixels:
        samples = self._read_rows(box) if self._in_rows else self._read_segments(box)
        if self._colours.palette is not None:
            return self._colours.palette[samples[..., 0]]
        kept = self._colours.kept
        return samples[..., 0] if kept == 1 else samples[..., :kept]

    def _read_rows(self, box: Box) -> Pixels:
        """Read uncompressed rows, or the part of each that is needed, straight from the file."""
        x0, y0, x1, y1 = box
        layout = self._layout
        planes = min(layout.planes, self._colours.kept)
        values = np.empty((planes, y1 - y0, x1 - x0, layout.samples), layout.stored_dtype)
        pixel_bytes = layout.samples * layout.stored_dtype.itemsize
        for plane in range(planes):
            first = layout.offsets[plane * layout.down]
            if first + y1 * layout.width * pixel_bytes > self._size:
                raise truncated(self.path)
            if x1 - x0 == layout.width:
                self._fill(values[plane], first + y0 * layout.width * pixel_bytes)
                continue
            for row in range(y0, y1):
                self._fill(values[plane, row - y0], first + (row * layout.width + x0) * pixel_bytes)
        together = values[0] if planes == 1 else np.moveaxis(values[..., 0], 0, -1)
        return together.astype(layout.dtype, copy=False)

    def _fill(self, target: Pixels, offset: int) -> None:
        """Read bytes of the file into an array."""
        self._file.seek(offset)
        if self._file.readinto(target.data) < target.nbytes:
            raise truncated(self.path)

    def _read_segments(self, box: Box) -> Pixels:
        """Paste together the strips or tiles that meet the box."""
        x0, y0, x1, y1 = box
        layout = self._layout
        planes = min(layout.planes, self._colours.kept)
        values = np.empty((y1 - y0, x1 - x0, layout.samples * planes), layout.dtype)
        fresh = self._decode_ahead([index for plane in range(planes) for index, _, _ in layout.meeting(box, plane)])
        for plane in range(planes):
            target = values[..., plane : plane + 1] if layout.planes > 1 else values
            for index, left, top in layout.meeting(box, plane):
                segment = fresh[index] if index in fresh else self._segment(index)
                height, width = segment.shape[:2]
                upper, lower = max(y0, top), min(y1, top + height)
                first, last = max(x0, left), min(x1, left + width)
                part = segment[upper - top : lower - top, first - left : last - left]
                target[upper - y0 : lower - y0, first - x0 : last - x0] = part
        return values

    def _decode_ahead(self, indices: list[int]) -> dict[int, Pixels]:
        """Decode the tiles or strips that are not in memory, several at once where there are many."""
        missing = [index for index in indices if self._cache.get(index) is None]
        if len(missing) < _FEW_SEGMENTS:
            return {}
        # Decoders let other threads run; the file is read by this thread alone.
        stored = [self._segment_bytes(index, self._segment_size(index)) for index in missing]
        with ThreadPoolExecutor(_DECODE_THREADS) as pool:
            segments = list(pool.map(self._decode_segment, missing, stored))
        for index, segment in zip(missing, segments, strict=True):
            self._cache.put(index, segment)
        return dict(zip(missing, segments, strict=True))

    def _segment(self, index: int) -> Pixels:
        """One decoded strip or tile, (h, w, samples), from memory where it was needed before."""
        segment = self._cache.get(index)
        if segment is None:
            segment = self._decode_segment(index, self._segment_bytes(index, self._segment_size(index)))
            self._cache.put(index, segment)
        return segment

    def _segment_size(self, index: int) -> int:
        """Bytes that one strip or tile decodes to."""
        height, width = self._layout.segment_shape(index)
        return height * width * self._layout.samples * self._layout.stored_dtype.itemsize

    def _decode_segment(self, index: int, data: bytes) -> Pixels:
        """Decode one strip or tile and see that it is whole."""
        layout = self._layout
        height, width = layout.segment_shape(index)
        size = self._segment_size(index)
        options: dict[str, Any] = {}
        if self._page.compression == JPEG:
            _check_jpeg_size(self.path, data, height * width)
            options = {"jpegtables": self._page.jpegtables, "jpegheader": self._page.jpegheader}
        elif self._page.compression in DEFLATE and not codecs_installed():
            data = _bounded_deflate(data, size)
        decoded = self._decode(data, index, **options)[0]
        if decoded is None or decoded.dtype != layout.dtype or decoded.shape[-1] != layout.samples:
            msg = f"{self.path}: strip or tile {index} does not hold what the header says; save the image anew"
            raise ImageReadError(msg)
        segment: Pixels = decoded[0]
        rows, columns = layout.visible_shape(index)
        if segment.shape[0] < rows or segment.shape[1] < columns:
            raise truncated(self.path)
        return segment

    def _segment_bytes(self, index: int, size: int) -> bytes:
        """Return the stored bytes of one strip or tile that decodes to ``size`` bytes."""
        offset, count = self._layout.offsets[index], self._layout.counts[index]
        # Compression never makes data much longer: more is damage, and could unpack without end.
        if offset == 0 or not 0 < count <= 4 * size + 65536:
            msg = (
                f"{self.path}: strip or tile {index} is missing or has an impossible length, {count} bytes; "
                "the file was not written to its end: scan or export it again"
            )
            raise ImageReadError(msg)
        if offset + count > self._size:
            raise truncated(self.path)
        self._file.seek(offset)
        return self._file.read(count)


class TiffPages:
    """A TIFF file as a stack of pages of one size, such as a scan.

    Parameters
    ----------
    path : Path
        The file; its list of pages is read once.

    Raises
    ------
    ImageReadError
        The file is damaged.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with reading(path):
            self.tiff = _open_tiff(path)
            # Some programs keep a whole stack, plain, behind the one page that they describe.
            listed, behind = len(self.tiff.pages), pages_behind_one(self.page(0))
            self.tiff.close()
        self._behind_one = listed == 1 and behind > 1
        self._count = behind if self._behind_one else listed

    def __len__(self) -> int:
        """Number of pages."""
        return self._count

    def open(self, number: int) -> TiffSource:
        """Open one page.

        Parameters
        ----------
        number : int
            Counted from 0.

        Returns
        -------
        TiffSource
            The open image.
        """
        with reading(self.path):
            self.tiff.filehandle.open()
            try:
                return TiffSource(self.path, self, number)
            finally:
                self.tiff.close()

    def page(self, number: int) -> TiffPage:
        """Page of the file that describes a page of the stack."""
        return self.tiff.pages[0 if len(self.tiff.pages) == 1 else number]  # type: ignore[return-value]  # no frames

    def layout_of(self, number: int, layout: Layout) -> Layout:
        """Where the pixels of a page of the stack lie, given where those of its description do."""
        if not self._behind_one:
            return layout
        if not layout.in_rows:
            msg = f"{self.path}: a stack behind one page must be uncompressed; save one page for each slice"
            raise ImageReadError(msg)
        skipped = number * layout.width * layout.height * layout.samples * layout.stored_dtype.itemsize * layout.planes
        return replace(layout, offsets=tuple(offset + skipped for offset in layout.offsets))


def _open_tiff(path: Path) -> TiffFile:
    """Open a file with the TIFF library."""
    import tifffile  # here, not above: it is needed for TIFF files only

    quiet_logs("tifffile")
    return tifffile.TiffFile(path)


class _SegmentCache:
    """Decoded strips or tiles, those not used for longest dropped first."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._segments: OrderedDict[int, Pixels] = OrderedDict()
        self._bytes = 0

    def get(self, index: int) -> Pixels | None:
        """Return a segment that is still there."""
        if index not in self._segments:
            return None
        self._segments.move_to_end(index)
        return self._segments[index]

    def put(self, index: int, segment: Pixels) -> None:
        """Keep a segment; the newest stays even where it alone is over the bound."""
        self._segments[index] = segment
        self._bytes += segment.nbytes
        while self._bytes > self._most_bytes and len(self._segments) > 1:
            self._bytes -= self._segments.popitem(last=False)[1].nbytes


def _bounded_deflate(data: bytes, size: int) -> bytes:
    """Inflate at most ``size`` bytes and store them plainly, for a decoder that knows no bound."""
    return zlib.compress(zlib.decompressobj().decompress(data, size), 0)


def _check_jpeg_size(path: Path, data: bytes, most_px: int) -> None:
    """Refuse a JPEG strip or tile that declares more pixels than the strip or tile has."""
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):  # start of a frame
            height, width = int.from_bytes(data[at + 5 : at + 7]), int.from_bytes(data[at + 7 : at + 9])
            if height * width > most_px:
                msg = f"{path}: a strip or tile says it has {width} x {height} px, more than fit; save it anew"
                raise ImageReadError(msg)
            return
        at += 2 + int.from_bytes(data[at + 2 : at + 4])
