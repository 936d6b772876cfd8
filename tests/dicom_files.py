"""DICOM files for the tests: small pictures whose pixels and elements are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import DigitalXRayImageStorageForProcessing, ExplicitVRLittleEndian, generate_uid

PATIENT = "Reef^Nobody"
PRIVATE_TEXT = "kept by the maker alone"
GREYS = (np.arange(12 * 16).reshape(12, 16) * 21).astype(np.uint16)


def dicom(values: np.ndarray = GREYS, *, bits: int = 12, syntax: str = ExplicitVRLittleEndian, packed: bytes | None = None,
          **elements: object) -> FileDataset:
    """A radiograph with a patient's name and a private element in it; None takes an element out."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID = DigitalXRayImageStorageForProcessing, syntax
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["one"])
    data = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    data.SOPClassUID, data.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    data.PatientName, data.PatientID, data.Modality = PATIENT, "RN-4711", "DX"
    data.Rows, data.Columns = values.shape[:2]
    data.SamplesPerPixel, data.PhotometricInterpretation = (3, "RGB") if values.ndim == 3 else (1, "MONOCHROME2")
    if values.ndim == 3:
        data.PlanarConfiguration = 0
    data.BitsAllocated = 8 * values.dtype.itemsize
    data.BitsStored, data.HighBit = min(bits, data.BitsAllocated), min(bits, data.BitsAllocated) - 1
    data.PixelRepresentation = int(values.dtype.kind == "i")
    data.PixelData = values.tobytes() if packed is None else encapsulate([packed])
    data["PixelData"].is_undefined_length = packed is not None
    data.private_block(0x0021, "NOBODYS SCANNER", create=True).add_new(0x01, "LO", PRIVATE_TEXT)
    for name, value in elements.items():
        if value is None:
            del data[name]
        else:
            setattr(data, name, value)
    return data


def write_dicom(path: Path, values: np.ndarray = GREYS, **options: object) -> Path:
    pydicom.dcmwrite(path, dicom(values, **options), enforce_file_format=True)
    return path
