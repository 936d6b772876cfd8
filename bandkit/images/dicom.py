"""DICOM files: one picture, decoded as a whole when the first region is read.

Greys come as real numbers: the file's own line or table from stored numbers is applied, so that a CT
slice is in Hounsfield units, and a file that stores white as zero is turned round.
"""

from __future__ import annotations

import importlib.util
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bandkit.errors import ImageReadError
from bandkit.flags import Flag
from bandkit.images.checks import missing_codecs, quiet_logs, reading, truncated, unsupported
from bandkit.images.dicom_header import (
    COLOURS,
    PALETTE,
    PIXEL_KEYWORDS,
    DicomHeader,
    DicomSpacing,
    acquisition_of,
    file_size,
    native_bytes,
    read_header,
    spacing_of,
)
from bandkit.images.source import Box, ImageHeader, ImageSource, Pixels

_NATIVE = ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2")
_IMPLICIT, _EXPLICIT, _BIG_ENDIAN = _NATIVE
_RLE = "1.2.840.10008.1.2.5"
# Read with pydicom and Pillow, and whatever else pydicom finds installed.
_BY_PYDICOM = {
    _RLE: "RLE",
    "1.2.840.10008.1.2.4.50": "JPEG",
    "1.2.840.10008.1.2.4.90": "JPEG 2000 lossless",
    "1.2.840.10008.1.2.4.91": "JPEG 2000",
}
# Read with imagecodecs: the name of the decoder in it.
_BY_IMAGECODECS = {
    "1.2.840.10008.1.2.4.51": ("JPEG of up to 12 bits", "jpeg_decode"),
    "1.2.840.10008.1.2.4.57": ("lossless JPEG", "ljpeg_decode"),
    "1.2.840.10008.1.2.4.70": ("lossless JPEG", "ljpeg_decode"),
    "1.2.840.10008.1.2.4.80": ("JPEG-LS", "jpegls_decode"),
    "1.2.840.10008.1.2.4.81": ("JPEG-LS", "jpegls_decode"),
    "1.2.840.10008.1.2.4.201": ("high-throughput JPEG 2000", "htj2k_decode"),
    "1.2.840.10008.1.2.4.202": ("high-throughput JPEG 2000", "htj2k_decode"),
    "1.2.840.10008.1.2.4.203": ("high-throughput JPEG 2000", "htj2k_decode"),
}
# Packed pixels beyond this for every stored byte are no picture; small ones may be blank.
_MOST_PX_PER_BYTE = 4096
_SMALL_PX = 1_000_000
_INT16 = (-(2**15), 2**15 - 1)
_UINT16 = (0, 2**16 - 1)
_INT32 = (-(2**31), 2**31 - 1)


class DicomSource(ImageSource):
    """One DICOM file.

    Parameters
    ----------
    path : Path
        The file.
    known : DicomHeader, optional
        Its header, where it was read before.

    Raises
    ------
    ImageReadError
        The file is damaged, or holds what cannot be measured.
    """

    def __init__(self, path: Path, known: DicomHeader | None = None) -> None:
        quiet_logs("pydicom")
        with reading(path):
            self.dicom = known or read_header(path)
            self._meaning = _Meaning.of(self.dicom)
            self.spacing: DicomSpacing | None = spacing_of(self.dicom)
            notes = _notes(self.dicom, self._meaning)
        header = ImageHeader(
            path=path, format="DICOM", stored_width_px=self.dicom.columns, stored_height_px=self.dicom.rows,
            channels=3 if self.dicom.photometric in {*COLOURS, PALETTE} else 1, dtype=self._meaning.dtype,
            bits=self.dicom.bits_stored,
            stored_resolution_mm_px=(self.spacing.x_mm_px, self.spacing.y_mm_px) if self.spacing else None,
            spacing_at=self.spacing.at if self.spacing else "tags",
            magnification=self.spacing.magnification if self.spacing else None,
            acquisition=acquisition_of(self.dicom),
            modality=self.dicom.modality, notes=notes)
        super().__init__(header)
        self._values: Pixels | None = None

    @property
    def full_scale(self) -> float:
        """The largest value that the stored bits can stand for."""
        return self._meaning.high

    def close(self) -> None:
        """Let go of what was decoded."""
        self._values = None

    def _read_stored(self, box: Box) -> Pixels:
        if self._values is None:
            self._values = self._meaning.apply(_decode(self.path, self.dicom), self.dicom)
        x0, y0, x1, y1 = box
        return self._values[y0:y1, x0:x1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Meaning:
    """From stored numbers to real ones.

    Parameters
    ----------
    dtype : numpy.dtype
        Type of the real numbers.
    low, high : float
        Their range.
    inverted : bool
        Whether they must be turned round to be as displayed.
    """

    dtype: np.dtype[Any]
    low: float
    high: float
    inverted: bool

    @classmethod
    def of(cls, header: DicomHeader) -> _Meaning:
        """Read it from the header."""
        if header.photometric in COLOURS:
            return cls(dtype=_stored_dtype(header), low=0.0, high=float(header.stored_range[1]), inverted=False)
        if header.photometric == PALETTE:
            bits = int(header.dataset.RedPaletteColorLookupTableDescriptor[2])
            return cls(dtype=np.dtype(np.uint16 if bits > 8 else np.uint8), low=0.0, high=2.0**bits - 1, inverted=False)
        # Hounsfield values are numbers, not greys: how they are shown does not alter them.
        inverted = header.photometric == "MONOCHROME1" and header.modality != "CT"
        if header.lut is not None:
            bits = int(header.lut.LUTDescriptor[2])
            dtype = np.dtype(np.uint16 if bits > 8 else np.uint8)
            return cls(dtype=dtype, low=0.0, high=2.0**bits - 1, inverted=inverted)
        ends = [header.slope * end + header.intercept for end in header.stored_range]
        low, high = min(ends), max(ends)
        return cls(dtype=_real_dtype(header, low, high), low=low, high=high, inverted=inverted)

    def apply(self, stored: Pixels, header: DicomHeader) -> Pixels:
        """Real numbers of stored ones."""
        if header.photometric in COLOURS:
            return stored
        stored, missing = _stored_numbers(stored, header)
        if header.photometric == PALETTE:
            from pydicom.pixels.processing import apply_color_lut  # here: needed for palettes only

            return apply_color_lut(stored, header.dataset).astype(self.dtype)
        if header.lut is not None:
            from pydicom.pixels.processing import apply_modality_lut  # here: needed for tables only

            values = apply_modality_lut(stored, header.dataset).astype(self.dtype)
        elif header.slope == 1 and header.intercept == 0:
            values = stored.astype(self.dtype, copy=False)
        elif self.dtype.kind == "f":
            values = stored * np.float32(header.slope) + np.float32(header.intercept)
        else:
            values = (stored.astype(np.int64) * int(header.slope) + int(header.intercept)).astype(self.dtype)
        if self.inverted:
            values = (self.low + self.high - values.astype(np.float64)).astype(self.dtype)
        return values if missing is None else np.where(missing, np.float32(np.nan), values)


def _stored_dtype(header: DicomHeader) -> np.dtype[Any]:
    """Type that holds the stored numbers."""
    return np.dtype(f"{'i' if header.signed else 'u'}{header.bits_allocated // 8}")


def _real_dtype(header: DicomHeader, low: float, high: float) -> np.dtype[Any]:
    """Smallest type that holds the real numbers without loss; floats where they are no whole numbers."""
    if header.padding is not None:
        return np.dtype(np.float32)
    if header.slope == 1 and header.intercept == 0:
        return _stored_dtype(header)
    if header.slope.is_integer() and header.intercept.is_integer():
        for dtype, (least, most) in ((np.int16, _INT16), (np.uint16, _UINT16), (np.int32, _INT32)):
            if least <= low and high <= most:
                return np.dtype(dtype)
    return np.dtype(np.float32)


def _stored_numbers(stored: Pixels, header: DicomHeader) -> tuple[Pixels, Pixels | None]:
    """Stored numbers without what stands in the bits beside them, and where they mean "not scanned"."""
    missing = None
    if header.padding is not None:
        low, high = (end % 2**header.bits_allocated for end in header.padding)
        bits = stored.astype(np.int64) % 2**header.bits_allocated
        missing = (bits >= min(low, high)) & (bits <= max(low, high))
        # Compression with loss rings round the border of what was scanned.
        missing |= stored.astype(np.int64) <= header.padding[1]
    spare = header.bits_allocated - header.bits_stored
    if spare:
        shift = np.array(header.bits_allocated - 1 - header.high_bit, dtype=stored.dtype)
        # Up to the top and down again: clears bits above, drops bits below, carries the sign.
        stored = np.right_shift(np.left_shift(stored, shift), np.array(spare, dtype=stored.dtype))
    return stored, missing


def _notes(header: DicomHeader, meaning: _Meaning) -> tuple[Flag, ...]:
    """What a person should know about how the file was made and read."""
    data = header.dataset
    notes = []
    if meaning.inverted:
        notes.append(Flag(code="inverted-greys", detail="MONOCHROME1"))
    if header.photometric == PALETTE:
        notes.append(Flag(code="palette-colours"))
    if header.is_localizer:
        notes.append(Flag(code="scan-localizer"))
    if str(data.get("BurnedInAnnotation") or "").upper() == "YES":
        notes.append(Flag(code="burned-in-text"))
    if str(data.get("LossyImageCompression") or "") == "01":
        notes.append(Flag(code="lossy-compression"))
    if not header.is_scan and data.get("PresentationIntentType") == "FOR PRESENTATION":
        notes.append(Flag(code="greys-for-viewing"))
    if not header.is_scan and data.get("PixelIntensityRelationship") == "LOG":
        notes.append(Flag(code="greys-logarithmic"))
    return tuple(notes)


# -- pixels ----------------------------------------------------------------------------------------


def _decode(path: Path, header: DicomHeader) -> Pixels:
    """All stored pixels, (rows, columns) or (rows, columns, 3)."""
    import pydicom
    from pydicom.uid import UID

    if header.rows * header.columns > max(_SMALL_PX, _MOST_PX_PER_BYTE * file_size(path)):
        raise truncated(path)
    dataset = pydicom.dcmread(path, specific_tags=[*PIXEL_KEYWORDS, "PixelData"], force=True)
    if "PixelData" not in dataset:
        raise truncated(path)
    syntax = str(dataset.file_meta.get("TransferSyntaxUID") or "") or _syntax_without_meta(dataset)
    dataset.file_meta.TransferSyntaxUID = UID(syntax)
    if syntax in _NATIVE:
        if len(dataset.PixelData) < native_bytes(header):
            raise truncated(path)
        if header.samples == 1 and header.bits_allocated > 8:
            # As they are: the library takes the lower bits for the stored ones, whatever the header says.
            stored = _stored_dtype(header).newbyteorder(">" if syntax == _BIG_ENDIAN else "<")
            greys = np.frombuffer(dataset.PixelData, stored, header.rows * header.columns)
            return greys.astype(_stored_dtype(header)).reshape(header.rows, header.columns)
        return _by_pydicom(dataset)
    if syntax not in _BY_PYDICOM and syntax not in _BY_IMAGECODECS:
        name = UID(syntax).name
        what = f"transfer syntax {syntax}" + (f" ({name})" if name != syntax else "")
        raise unsupported(path, f"{what} is not read", "export it uncompressed or as JPEG 2000 lossless")
    frame = _frame(path, dataset, header)
    if frame[4:8] == b"jP  ":
        # Against the standard, but met: a file of its own inside.
        return _by_imagecodecs(path, frame, header, "a JPEG 2000 file", "jpeg2k_decode")
    if syntax in _BY_IMAGECODECS:
        return _by_imagecodecs(path, frame, header, *_BY_IMAGECODECS[syntax])
    return _by_pydicom(dataset)


def _syntax_without_meta(dataset: Any) -> str:
    """How a file without the usual beginning is written, as it was found out while reading it."""
    implicit, little_endian = dataset.original_encoding
    if implicit:
        return _IMPLICIT
    return _EXPLICIT if little_endian else _BIG_ENDIAN


def _by_pydicom(dataset: Any) -> Pixels:
    """Pixels by the DICOM library, colours as RGB."""
    from pydicom.pixels.utils import pixel_array

    values: Pixels = pixel_array(dataset)
    return values


def _frame(path: Path, dataset: Any, header: DicomHeader) -> bytes:
    """The packed bytes of the one frame, seen not to unpack to more than the header says."""
    from pydicom.encaps import get_frame

    frame: bytes = get_frame(dataset.PixelData, 0, number_of_frames=1)
    size = _packed_size(frame)
    if size is not None and size != (header.columns, header.rows):
        stated, packed = f"{header.columns} x {header.rows}", f"{size[0]} x {size[1]}"
        msg = f"{path}: the header says {stated} px, the packed picture {packed}; export it anew"
        raise ImageReadError(msg)
    return frame


def _packed_size(frame: bytes) -> tuple[int, int] | None:
    """Width and height that a JPEG or JPEG 2000 stream states; None for others."""
    stream = io.BytesIO(frame)
    start = frame.find(b"\xff\x4f\xff\x51") if frame[4:8] == b"jP  " else 0
    if start >= 0 and frame[start:start + 4] == b"\xff\x4f\xff\x51" and len(frame) >= start + 24:
        sides = np.frombuffer(frame, ">u4", 4, start + 8)
        return int(sides[0]) - int(sides[2]), int(sides[1]) - int(sides[3])
    if stream.read(2) != b"\xff\xd8":
        return None
    while (head := stream.read(4)) and len(head) == 4 and head[0] == 0xFF:
        marker, length = head[1], int.from_bytes(head[2:])
        if (0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC)) or marker == 0xF7:
            frame_head = stream.read(5)
            return int.from_bytes(frame_head[3:5]), int.from_bytes(frame_head[1:3])
        stream.seek(length - 2, io.SEEK_CUR)
    return None


def _by_imagecodecs(path: Path, frame: bytes, header: DicomHeader, name: str, decoder: str) -> Pixels:
    """Pixels by the general decoders."""
    if importlib.util.find_spec("imagecodecs") is None:
        raise missing_codecs(path, f"{name} in DICOM")
    import imagecodecs  # here: an extra, needed for rarer compressions only

    values: Pixels = np.asarray(getattr(imagecodecs, decoder)(frame))
    shape = (header.rows, header.columns) + ((3,) if header.samples == 3 else ())
    if values.shape != shape:
        msg = f"{path}: the packed picture does not hold what the header says; export it anew"
        raise ImageReadError(msg)
    if values.dtype.itemsize * 8 > header.bits_allocated:
        msg = f"{path}: the packed picture has more bits than the header says; export it anew"
        raise ImageReadError(msg)
    return values.astype(np.dtype(f"u{header.bits_allocated // 8}")).view(_stored_dtype(header))
