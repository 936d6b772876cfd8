"""The slab record: one TOML file for one image, read, checked and written back.

It holds everything a person knows or decided about one imaged slab, and nothing that
was computed. `read_record` gives it as frozen dataclasses; `check_record` lists what is
missing or doubtful; `RecordFile` changes the file and keeps a person's comments and order.
"""

from bandkit.record.doubts import Doubt, ImageHeader, check_record
from bandkit.record.file import RecordFile
from bandkit.record.inside import raise_for_image, raise_for_volume
from bandkit.record.model import (
    BarSpec,
    DatingSpec,
    EventSpec,
    GapSpec,
    ImageSpec,
    MaskSpec,
    ReadingMark,
    ReadingSpec,
    Record,
    ScaleSpec,
    Specimen,
    TrackSpec,
)
from bandkit.record.model_density import DensitySpec, StandardSpec
from bandkit.record.model_mass import BulkSpec, ThicknessMapSpec, ThicknessPointSpec
from bandkit.record.model_place import LandmarkSpec, PhotographSpec, RectifySpec, RulerSpec
from bandkit.record.model_stain import BranchSpec, ColourSpec, StainSpec
from bandkit.record.model_volume import BodySpec, VolumeSpec
from bandkit.record.parse import parse_record
from bandkit.record.plain import record_values, to_plain
from bandkit.record.read import read_record

__all__ = [
    "BarSpec",
    "BodySpec",
    "BranchSpec",
    "BulkSpec",
    "ColourSpec",
    "DatingSpec",
    "DensitySpec",
    "Doubt",
    "EventSpec",
    "GapSpec",
    "ImageHeader",
    "ImageSpec",
    "LandmarkSpec",
    "MaskSpec",
    "PhotographSpec",
    "ReadingMark",
    "ReadingSpec",
    "Record",
    "RecordFile",
    "RectifySpec",
    "RulerSpec",
    "ScaleSpec",
    "Specimen",
    "StainSpec",
    "StandardSpec",
    "ThicknessMapSpec",
    "ThicknessPointSpec",
    "TrackSpec",
    "VolumeSpec",
    "check_record",
    "parse_record",
    "raise_for_image",
    "raise_for_volume",
    "read_record",
    "record_values",
    "to_plain",
]
