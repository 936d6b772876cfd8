"""Open a picture and read regions of it, greys and colours exactly as stored.

`open_image` looks at the first bytes of the file, not at its name, and reads
the header only. What follows decodes no more of the file than the region that
is asked for needs, and never fewer bits than the file holds.
"""

from __future__ import annotations

import os
from pathlib import Path

from bandkit.errors import ImageReadError
from bandkit.images.kinds import is_dicom, is_tiff
from bandkit.images.source import ImageHeader, ImageSource, Overview

__all__ = ["ImageHeader", "ImageSource", "Overview", "open_image"]

_PNG_START = b"\x89PNG\r\n\x1a\n"
_JPEG_START = b"\xff\xd8\xff"
# Files that people hand over by mistake: where the sign stands, the sign, what it is.
_OTHER_KINDS = (
    (0, b"BM", "a BMP image"),
    (0, b"GIF8", "a GIF image"),
    (8, b"WEBP", "a WebP image"),
    (4, b"ftyp", "a HEIF or AVIF image, or a film"),
    (4, b"jP  ", "a JPEG 2000 image"),
    (0, b"%PDF", "a PDF document"),
    (0, b"PK\x03\x04", "a zip archive or an office document"),
    (0, b"8BPS", "a layered PSD document"),
)


def open_image(path: str | os.PathLike[str]) -> ImageSource:
    """Open a TIFF, PNG, JPEG or DICOM file for reading regions of it.

    Parameters
    ----------
    path : str or path-like
        The file. Its kind is told from its first bytes, not from its name.

    Returns
    -------
    ImageSource
        The open image; use it in a ``with`` block. Only the header was read.

    Raises
    ------
    ImageReadError
        The file is missing, empty, damaged, too large or of a kind that is
        not read. ``reason`` is one of ``missing-image``, ``unreadable-image``,
        ``unknown-format``, ``unsupported-image``, ``truncated-image``,
        ``image-too-large``, ``missing-extra``, ``out-of-memory``.
    """
    path = Path(path)
    start = _first_bytes(path)
    # The readers are imported here: each brings its own libraries. DICOM comes first: before its sign may stand any
    # 128 bytes, also those that begin a TIFF file.
    if is_dicom(start, path.stat().st_size):
        from bandkit.images.dicom import DicomSource

        return DicomSource(path)
    if is_tiff(start):
        from bandkit.images.tiff import TiffSource

        return TiffSource(path)
    if start.startswith(_PNG_START):
        from bandkit.images.picture import open_png

        return open_png(path)
    if start.startswith(_JPEG_START):
        from bandkit.images.picture import open_jpeg

        return open_jpeg(path)
    kind = next((name for at, sign, name in _OTHER_KINDS if start[at:].startswith(sign)), "no image known here")
    msg = f"{path}: this is {kind} (it begins with {start[:8]!r}); save the picture as TIFF, PNG or JPEG"
    raise ImageReadError(msg, reason="unknown-format")


def _first_bytes(path: Path) -> bytes:
    """Return up to 132 bytes of a regular file that is there and not empty."""
    try:
        if path.is_dir():
            msg = f"{path}: this is a folder, not an image; name the file in it"
            raise ImageReadError(msg)
        if path.exists() and not path.is_file():
            msg = f"{path}: this is not a regular file; name an image file"
            raise ImageReadError(msg)
        with path.open("rb") as file:
            start = file.read(132)
    except FileNotFoundError as err:
        msg = f"{path}: no such file; check the name and the folder it is given from"
        raise ImageReadError(msg, reason="missing-image") from err
    except (OSError, ValueError) as err:
        if isinstance(err, ImageReadError):
            raise
        msg = f"{path}: the file cannot be opened ({getattr(err, 'strerror', None) or err}); check its name and rights"
        raise ImageReadError(msg) from err
    if not start:
        msg = f"{path}: the file is empty (0 bytes); copy it again from where it was scanned"
        raise ImageReadError(msg)
    return start
