"""Image files for the tests: each pixel's value tells where it lies."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

HEIGHT, WIDTH = 83, 61
PNG_COLOUR_TYPES = {1: 0, 3: 2, 2: 4, 4: 6}


def greys(dtype: str = "uint16", height: int = HEIGHT, width: int = WIDTH) -> np.ndarray:
    """Value = row * width + column, or what of it the type can hold."""
    values = np.arange(height * width).reshape(height, width)
    top = {"u": 2 ** (8 * np.dtype(dtype).itemsize), "i": 2**31, "f": 2**20}[np.dtype(dtype).kind]
    return (values % top).astype(dtype)


def colours(dtype: str = "uint16", samples: int = 3) -> np.ndarray:
    """As `greys`, with 10007 more in each further channel."""
    offsets = 10007 * np.arange(samples)
    return (np.arange(HEIGHT * WIDTH).reshape(HEIGHT, WIDTH, 1) + offsets).astype(dtype)


def whole(source) -> np.ndarray:
    return source.read(0, 0, source.width_px, source.height_px)


def codes(source) -> list[str]:
    return [flag.code for flag in source.notes]


def write(path: Path, values: np.ndarray, **options) -> Path:
    tifffile.imwrite(path, values, **{"metadata": None, "photometric": "minisblack", **options})
    return path


def deflate_bomb(path: Path, size: int) -> Path:
    """A 16 x 16 px tile whose deflate stream unpacks to ``size`` bytes of zero."""
    tifffile.imwrite(
        path,
        iter([zlib.compress(bytes(size), 9)]),
        shape=(16, 16),
        dtype="uint8",
        tile=(16, 16),
        compression="zlib",
        photometric="minisblack",
        metadata=None,
    )
    return path


def pixels(dtype: str, samples: int) -> np.ndarray:
    """Value = row * width + column, plus 10007 in each further sample: low and high bytes both change."""
    position = np.arange(HEIGHT * WIDTH).reshape(HEIGHT, WIDTH, 1)
    return (position * 13 + 10007 * np.arange(samples)).astype(dtype)


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def write_png(
    path: Path, values: np.ndarray, *, interlaced: bool = False, extra: bytes = b"", filtered: int = 0
) -> Path:
    """Write a PNG by hand; ``filtered`` 1 stores differences to the pixel on the left."""
    colour_type = PNG_COLOUR_TYPES[values.shape[2]]
    bits = 8 * values.dtype.itemsize
    passes = [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)]
    rows = []
    for x, y, dx, dy in passes if interlaced else [(0, 0, 1, 1)]:
        for row in values[y::dy, x::dx].astype(f">u{bits // 8}"):
            stored = np.frombuffer(row.tobytes(), np.uint8).reshape(row.shape[0], -1)
            if filtered:
                stored = np.diff(stored, axis=0, prepend=np.zeros((1, stored.shape[1]), np.uint8))
            rows.append(bytes([filtered]) + stored.tobytes())
    head = struct.pack(">IIBBBBB", values.shape[1], values.shape[0], bits, colour_type, 0, 0, int(interlaced))
    body = chunk(b"IHDR", head) + extra + chunk(b"IDAT", zlib.compress(b"".join(rows))) + chunk(b"IEND", b"")
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + body)
    return path


def corners(mode: str) -> Image.Image:
    """Grey levels that tell the four quarters of the picture apart."""
    quarters = np.kron([[40, 90], [140, 200]], np.ones((32, 48))).astype(np.uint8)
    return Image.fromarray(quarters).convert(mode)


def retag(path: Path, code: int, value: int) -> None:
    """Overwrite one value of a tag in place."""
    with tifffile.TiffFile(path, mode="r+") as tiff:
        tiff.pages[0].tags[code].overwrite(value, dtype=4)
