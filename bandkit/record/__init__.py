"""The slab record: one TOML file for one image, read, checked and written back.

It holds everything a person knows or decided about one imaged slab, and nothing that
was computed. `read_record` gives it as frozen dataclasses; `check_record` lists what is
missing or doubtful; `RecordFile` changes the file and keeps a person's comments and order.
"""

from bandkit.record.doubts import Doubt, ImageHeader, check_record
from bandkit.record.file import RecordFile
from bandkit.record.inside import raise_for_image
from bandkit.record.model import (
    BarSpec,
    DatingSpec,
    DensitySpec,
    GapSpec,
    ImageSpec,
    MaskSpec,
    ReadingMark,
    ReadingSpec,
    Record,
    ScaleSpec,
    Specimen,
    StainSpec,
    StandardSpec,
    TrackSpec,
)
from bandkit.record.parse import parse_record
from bandkit.record.plain import record_values, to_plain
from bandkit.record.read import read_record

__all__ = [
    "BarSpec",
    "DatingSpec",
    "DensitySpec",
    "Doubt",
    "GapSpec",
    "ImageHeader",
    "ImageSpec",
    "MaskSpec",
    "ReadingMark",
    "ReadingSpec",
    "Record",
    "RecordFile",
    "ScaleSpec",
    "Specimen",
    "StainSpec",
    "StandardSpec",
    "TrackSpec",
    "check_record",
    "parse_record",
    "raise_for_image",
    "read_record",
    "record_values",
    "to_plain",
]
