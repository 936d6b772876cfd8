"""What a DICOM file says: its pixels, what their numbers mean, and where its spacing holds.

Only the elements named here are ever parsed: a patient's name and private elements are passed
over, so that nothing of them can reach a message or an output.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bandkit.errors import ImageReadError
from bandkit.images.checks import check_size, unsupported
from bandkit.images.source import SpacingAt

if TYPE_CHECKING:
    from pydicom import Dataset

NO_PICTURE = "no-picture"
"""Reason of the error for a DICOM file of another kind."""
DICOM_EXTRA = 'pip install "bandkit[dicom]"'
DEFLATED = "1.2.840.10008.1.2.1.99"
DICOMDIR = "1.2.840.10008.1.3.10"
SCANS = frozenset({"CT", "MR"})
"""Modalities whose pixels are computed in the object itself: their spacing holds there."""
GREYS = frozenset({"MONOCHROME1", "MONOCHROME2"})
COLOURS = frozenset({"RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT"})
PALETTE = "PALETTE COLOR"

_MOST_PX = 500e6
_LONGEST_KERNEL = 32
_LEAST_BITS = 8
# Spacings that agree to this are one spacing, written twice.
_SAME_FRAC = 1e-3
# Magnifications that a set-up can have.
_MAGNIFICATIONS = (1.0, 5.0)
# No Hounsfield value of matter is as low: a padding value below it cannot be air.
_NO_MATTER_HU = -1100.0

PIXEL_KEYWORDS = ("Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation", "PlanarConfiguration",
                  "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "NumberOfFrames",
                  "RedPaletteColorLookupTableDescriptor", "GreenPaletteColorLookupTableDescriptor",
                  "BluePaletteColorLookupTableDescriptor", "RedPaletteColorLookupTableData",
                  "GreenPaletteColorLookupTableData", "BluePaletteColorLookupTableData")
HEADER_KEYWORDS = (
    *PIXEL_KEYWORDS, "SOPClassUID", "ImageType", "Modality", "SeriesInstanceUID", "SeriesNumber", "InstanceNumber",
    "ImagePositionPatient", "ImageOrientationPatient", "SliceThickness",
    "PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing", "PixelSpacingCalibrationType",
    "EstimatedRadiographicMagnificationFactor", "DistanceSourceToDetector", "DistanceSourceToPatient",
    "RescaleSlope", "RescaleIntercept", "ModalityLUTSequence", "LUTDescriptor", "LUTData", "PixelPaddingValue",
    "PixelPaddingRangeLimit", "BurnedInAnnotation", "LossyImageCompression", "PresentationIntentType",
    "PixelIntensityRelationship", "KVP", "XRayTubeCurrent", "ConvolutionKernel")


@dataclass(frozen=True, slots=True, kw_only=True)
class DicomSpacing:
    """Millimetres per pixel as the file states them, and where they hold.

    Parameters
    ----------
    x_mm_px, y_mm_px : float
        Along a row and down a column.
    at : {"object", "detector", "unclear"}
        In the thing itself, in its shadow on the detector or film, or not said.
    magnification : float or None
        How much larger the shadow is than the thing, as far as the file says.
    """

    x_mm_px: float
    y_mm_px: float
    at: SpacingAt
    magnification: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DicomHeader:
    """What a DICOM file says of its picture.

    Parameters
    ----------
    dataset : Dataset
        The elements of `HEADER_KEYWORDS` that the file holds.
    rows, columns, samples, bits_allocated, bits_stored, high_bit : int
        Layout of the pixels.
    signed : bool
        Whether stored numbers have a sign.
    photometric : str
        What the numbers are: greys (``MONOCHROME1`` is white at zero), colours or a palette.
    modality : str
        Such as "CT" or "DX".
    slope, intercept : float
        Of the line from stored to real numbers.
    """

    dataset: Dataset
    rows: int
    columns: int
    samples: int
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    photometric: str
    modality: str
    slope: float
    intercept: float

    @property
    def stored_range(self) -> tuple[int, int]:
        """Least and largest number that the stored bits can hold."""
        if self.signed:
            return -(2 ** (self.bits_stored - 1)), 2 ** (self.bits_stored - 1) - 1
        return 0, 2**self.bits_stored - 1

    @property
    def is_scan(self) -> bool:
        """Whether the picture is a slice through the object, not the projection that scans are planned on."""
        return self.modality in SCANS and not self.is_localizer

    @property
    def is_localizer(self) -> bool:
        """Whether the picture is the projection that a scan was planned on."""
        kind = self.dataset.get("ImageType") or ()
        return "LOCALIZER" in ([kind] if isinstance(kind, str) else list(kind))

    @property
    def lut(self) -> Any:
        """The file's own table from stored to real numbers, where it has one instead of a line."""
        sequence = self.dataset.get("ModalityLUTSequence")
        return sequence[0] if sequence else None

    @property
    def padding(self) -> tuple[int, int] | None:
        """Stored numbers that stand for "not scanned"; None where such a number could be air."""
        value = self.dataset.get("PixelPaddingValue")
        if self.modality != "CT" or not isinstance(value, int):
            return None
        limit = self.dataset.get("PixelPaddingRangeLimit", value)
        low, high = sorted((value, limit if isinstance(limit, int) else value))
        # Padding is often written with the sign that the pixels do not have.
        real = high - 2**self.bits_allocated if high >= 2 ** (self.bits_allocated - 1) else high
        return (low, high) if real * self.slope + self.intercept < _NO_MATTER_HU else None


def read_header(path: Path) -> DicomHeader:
    """Read what a DICOM file says of its picture; no pixel is read.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    DicomHeader
        Checked as far as it can be without the pixels.

    Raises
    ------
    ImageReadError
        The file holds no picture, several, or one of a kind that cannot be measured.
    """
    dataset = _read_dataset(path)
    if dataset.get("Rows") is None or dataset.get("Columns") is None:
        modality = dataset.get("Modality")
        what = f" (modality {modality})" if modality in ("SR", "PR", "RTSTRUCT", "RTPLAN") else ""
        msg = f"{path}: this DICOM file holds no picture{what}; name the file with the picture"
        raise ImageReadError(msg, reason=NO_PICTURE)
    check_size(path, int(dataset.Columns), int(dataset.Rows), _MOST_PX)
    frames = int(dataset.get("NumberOfFrames") or 1)
    if frames != 1:
        raise unsupported(path, f"the file holds {frames} frames, and which one is meant is not known",
                          "export the one wanted, or a scan as one file per slice")
    header = DicomHeader(
        dataset=dataset, rows=int(dataset.Rows), columns=int(dataset.Columns),
        samples=int(dataset.get("SamplesPerPixel") or 1), bits_allocated=int(dataset.get("BitsAllocated") or 0),
        bits_stored=int(dataset.get("BitsStored") or dataset.get("BitsAllocated") or 0),
        high_bit=int(dataset.get("HighBit") if dataset.get("HighBit") is not None
                     else int(dataset.get("BitsStored") or dataset.get("BitsAllocated") or 1) - 1),
        signed=dataset.get("PixelRepresentation") == 1,
        photometric=str(dataset.get("PhotometricInterpretation") or "MONOCHROME2"),
        modality=str(dataset.get("Modality") or ""), slope=_number(dataset.get("RescaleSlope"), 1.0),
        intercept=_number(dataset.get("RescaleIntercept"), 0.0))
    _check_pixels(path, header)
    return header


def _read_dataset(path: Path) -> Dataset:
    """The elements that are of use, and no others."""
    try:
        import pydicom  # here, not above: an extra, needed for DICOM files only
    except ImportError as err:
        msg = f"{path}: DICOM needs the package pydicom: {DICOM_EXTRA}"
        raise ImageReadError(msg, reason="missing-extra") from err
    from pydicom.filereader import read_file_meta_info

    with path.open("rb") as file:
        has_preamble = file.read(132)[128:] == b"DICM"
    if has_preamble:
        meta = read_file_meta_info(path)
        syntax = str(meta.get("TransferSyntaxUID") or "")
        if syntax == DEFLATED:
            # To inflate it is to trust it with all memory.
            raise unsupported(path, f"transfer syntax {DEFLATED} (deflated as a whole) is not read",
                              "export it uncompressed or as JPEG 2000 lossless")
        if str(meta.get("MediaStorageSOPClassUID") or "") == DICOMDIR:
            msg = f"{path}: this is the table of contents of a DICOM disc, not a picture; name a file that it lists"
            raise ImageReadError(msg, reason=NO_PICTURE)
    return pydicom.dcmread(path, specific_tags=list(HEADER_KEYWORDS), stop_before_pixels=True, force=True)


def _check_pixels(path: Path, header: DicomHeader) -> None:
    """Refuse layouts that cannot be measured, and more pixels than the file can hold."""
    if header.photometric not in GREYS | COLOURS | {PALETTE}:
        raise unsupported(path, f"the file holds {header.photometric[:32]} pixels", "export it as grey or RGB")
    if header.samples != (3 if header.photometric in COLOURS else 1):
        raise unsupported(path, f"{header.samples} values per pixel do not fit {header.photometric}",
                          "export it as grey or RGB")
    allocated, stored = header.bits_allocated, header.bits_stored
    if allocated not in (8, 16, 32) or not _LEAST_BITS <= stored <= allocated:
        raise unsupported(path, f"{stored} bits in {allocated} are not read", "export it with 8 to 16 bits")
    if not stored - 1 <= header.high_bit < allocated:
        raise unsupported(path, f"bits {stored} below bit {header.high_bit} do not fit", "export it anew")
    if not (math.isfinite(header.slope) and math.isfinite(header.intercept) and header.slope):
        raise unsupported(path, f"rescale slope {header.slope:g} and intercept {header.intercept:g} say nothing",
                          "export it anew")


def native_bytes(header: DicomHeader) -> int:
    """Bytes that the pixels take uncompressed.

    Parameters
    ----------
    header : DicomHeader
        The header.

    Returns
    -------
    int
        Without the padding to an even number.
    """
    pixels = header.rows * header.columns
    if header.photometric == "YBR_FULL_422":
        return 2 * pixels * header.bits_allocated // 8
    return pixels * header.samples * header.bits_allocated // 8


def file_size(path: Path) -> int:
    """Length of a file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    int
        In bytes.
    """
    return os.stat(path).st_size  # noqa: PTH116  (as quick as it gets: asked for every slice)


def spacing_of(header: DicomHeader) -> DicomSpacing | None:
    """Millimetres per pixel, and whether they hold in the thing or in its shadow.

    Parameters
    ----------
    header : DicomHeader
        The header.

    Returns
    -------
    DicomSpacing or None
        None where the file states no spacing.

    Notes
    -----
    In the standard (PS3.3, C.7.6.3 and C.8.11) Imager Pixel Spacing lies at the front of the detector, and
    Nominal Scanned Pixel Spacing on the film. Pixel Spacing lies in the object for computed slices. In a
    projection it lies in the object only where it was calibrated with a thing of known size there
    (calibration type FIDUCIAL); where it was corrected for an assumed geometry (GEOMETRY) or the file does not
    say, it may be either; where it equals the spacing at the detector it is that.
    """
    stated = _pair(header.dataset.get("PixelSpacing"))
    below = _pair(header.dataset.get("ImagerPixelSpacing")) or _pair(header.dataset.get("NominalScannedPixelSpacing"))
    if stated is None and below is None:
        return None
    at: SpacingAt = "unclear"
    if stated is not None and (header.is_scan or header.dataset.get("PixelSpacingCalibrationType") == "FIDUCIAL"):
        at = "object"
    elif below is not None and (stated is None or _same(stated, below)):
        at = "detector"
    y_mm_px, x_mm_px = stated or below  # type: ignore[misc]  # one of them is there
    magnification = None if at == "object" else _magnification(header)
    return DicomSpacing(x_mm_px=x_mm_px, y_mm_px=y_mm_px, at=at, magnification=magnification)


def _magnification(header: DicomHeader) -> float | None:
    """Magnification as the file states it, or from its distances."""
    data = header.dataset
    factor = _number(data.get("EstimatedRadiographicMagnificationFactor"), 0.0)
    to_detector, to_object = (_number(data.get(f"DistanceSourceTo{what}"), 0.0) for what in ("Detector", "Patient"))
    if factor <= 0 and to_object > 0:
        factor = to_detector / to_object
    low, high = _MAGNIFICATIONS
    return factor if low <= factor <= high else None


def acquisition_of(header: DicomHeader) -> dict[str, float | str]:
    """How an X-ray picture was made: what a methods section asks for.

    Parameters
    ----------
    header : DicomHeader
        The header.

    Returns
    -------
    dict
        Tube voltage and current, kernel, as far as the file states them.
    """
    facts: dict[str, float | str] = {}
    for name, keyword in (("tube_kv", "KVP"), ("tube_ma", "XRayTubeCurrent")):
        if (value := _number(header.dataset.get(keyword), 0.0)) > 0:
            facts[name] = value
    kernel = str(header.dataset.get("ConvolutionKernel") or "")
    if kernel and len(kernel) <= _LONGEST_KERNEL and kernel.isprintable():
        facts["kernel"] = kernel
    return facts


def vector_of(value: Any, length: int) -> tuple[float, ...] | None:
    """A row of numbers in an element.

    Parameters
    ----------
    value : object
        The element's value.
    length : int
        How many there must be.

    Returns
    -------
    tuple of float or None
        None where there are not as many, or one is no finite number.
    """
    try:
        numbers = tuple(float(one) for one in value)
    except (TypeError, ValueError):
        return None
    return numbers if len(numbers) == length and all(math.isfinite(one) for one in numbers) else None


def _number(value: Any, default: float) -> float:
    """One number; the default where the element is absent or empty."""
    try:
        return float(value)
    except (TypeError, ValueError):
        return default


def _pair(value: Any) -> tuple[float, float] | None:
    """Row spacing, then column spacing, both above zero."""
    pair = vector_of(value, 2)
    return None if pair is None or min(pair) <= 0 else (pair[0], pair[1])


def _same(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether two spacings are one, written twice."""
    return all(abs(a / b - 1) < _SAME_FRAC for a, b in zip(one, other, strict=True))
