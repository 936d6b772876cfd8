"""What a slab record holds, as frozen dataclasses: no file access, no checks."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from bandkit.record.model_density import Box, DensitySpec
from bandkit.record.model_mass import BulkSpec, Point
from bandkit.record.model_place import PhotographSpec, RectifySpec, RulerSpec
from bandkit.record.model_stain import BranchSpec, ColourSpec, StainSpec
from bandkit.record.model_volume import VolumeSpec

Kind = Literal["photograph", "radiograph", "luminescence", "ct"]
Dense = Literal["bright", "dark"]
Values = Literal["intensity", "optical-density", "hounsfield"]
MarkKind = Literal["density maximum", "density minimum", "luminescent line"]
Certainty = Literal["certain", "doubtful", "inserted"]
Role = Literal["all", "fixed"]
EventKind = Literal["doublet", "stress band"]

KINDS: tuple[Kind, ...] = ("photograph", "radiograph", "luminescence", "ct")
DENSE: tuple[Dense, ...] = ("bright", "dark")
VALUES: tuple[Values, ...] = ("intensity", "optical-density", "hounsfield")
MARKS: tuple[MarkKind, ...] = ("density maximum", "density minimum", "luminescent line")
CERTAINTIES: tuple[Certainty, ...] = ("certain", "doubtful", "inserted")
ROLES: tuple[Role, ...] = ("all", "fixed")
EVENT_KINDS: tuple[EventKind, ...] = ("doublet", "stress band")


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """The colony that the slab was sawn from.

    Parameters
    ----------
    id : str
        Unique in a batch; also the name of the output folder.
    taxon, site : str
        Empty where not given.
    colony, core : str
        Colony that the slab is of and core that it was cut from, for colonies and cores with several slabs; empty
        where the slab is its own.
    latitude_deg, longitude_deg : float or None
        South and west are negative.
    depth_m : float or None
        Depth of water over the colony.
    collected : datetime.date or None
        Day on which the colony stopped growing; without it years are counted, not dated.
    top_alive : bool or None
        Whether the outer surface was alive at collection; None where the record does not say.
    """

    id: str
    taxon: str = ""
    site: str = ""
    colony: str = ""
    core: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    depth_m: float | None = None
    collected: datetime.date | None = None
    top_alive: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageSpec:
    """The picture of the slab.

    Parameters
    ----------
    file : str
        As written in the record, relative to the record's folder.
    path : Path
        The same, resolved.
    kind : {"photograph", "radiograph", "luminescence", "ct"}
        What made the picture.
    dense : {"bright", "dark"} or None
        How dense skeleton is shown; None where the record does not say.
    values : {"intensity", "optical-density", "hounsfield"}
        What the greys stand for.
    """

    file: str
    path: Path
    kind: Kind
    dense: Dense | None = None
    values: Values = "intensity"


@dataclass(frozen=True, slots=True, kw_only=True)
class BarSpec:
    """A scale bar in the picture.

    Parameters
    ----------
    length_mm : float
        Its true length.
    from_px, to_px : tuple of float or None
        Its ends [x, y]; None where the program shall find them.
    within_px : tuple of float or None
        Box x0, y0, x1, y1 in which to look for it; None for anywhere.
    """

    length_mm: float
    from_px: Point | None = None
    to_px: Point | None = None
    within_px: Box | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleSpec:
    """Where millimetres per pixel come from: exactly one of bar, rulers, rectify, mm_per_px and the file.

    Parameters
    ----------
    bar : BarSpec or None
        A scale bar in the picture.
    mm_per_px : tuple of float or None
        Millimetres per pixel in x and in y.
    from_file : bool
        True where the resolution that the image file states is to be used.
    sd_frac : float or None
        What the scale may be off by, one standard deviation, as a fraction.
    source_to_detector_mm, slab_to_detector_mm : float or None
        Distances that correct X-ray magnification.
    rulers : tuple of RulerSpec
        A ruler in the picture, or two at right angles; empty where none is used.
    rectify : RectifySpec or None
        A rectangle of known size by which an oblique picture is made square.
    """

    bar: BarSpec | None = None
    mm_per_px: tuple[float, float] | None = None
    from_file: bool = False
    sd_frac: float | None = None
    source_to_detector_mm: float | None = None
    slab_to_detector_mm: float | None = None
    rulers: tuple[RulerSpec, ...] = ()
    rectify: RectifySpec | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DatingSpec:
    """What an annual mark stands for.

    Parameters
    ----------
    mark : {"density maximum", "density minimum", "luminescent line"} or None
        None where the record does not say.
    mark_date : tuple of int or None
        Month and day that the mark stands for at this site.
    spacing_mm : float or None
        What a year is expected to be.
    """

    mark: MarkKind | None = None
    mark_date: tuple[int, int] | None = None
    spacing_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackSpec:
    """A growth axis, drawn from outside the surface inwards.

    Parameters
    ----------
    name : str
        Unique in the record.
    points_px : tuple of points
        At least two points [x, y].
    width_mm : float or None
        Width over which density is measured.
    follow_mm : float or None
        How wide the bands may be followed; None for all there is.
    """

    name: str
    points_px: tuple[Point, ...]
    width_mm: float | None = None
    follow_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingMark:
    """One annual mark set by a person.

    Parameters
    ----------
    at_px : tuple of float
        Its place [x, y].
    certainty : {"certain", "doubtful", "inserted"}
        How sure the reader was.
    """

    at_px: Point
    certainty: Certainty = "certain"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingSpec:
    """A person's marks on a track; they win over computed ones.

    The last reading of a track counts. Where it is of role "fixed", it and the fixed ones
    just before it hold years that are certain, and the program finds the rest given them.

    Parameters
    ----------
    track : str
        Name of the track.
    reader : str
        Who read it.
    read_on : datetime.date or None
        When it was read.
    blind : bool
        Whether earlier marks and years were hidden.
    marks : tuple of ReadingMark
        In the order of the record.
    role : {"all", "fixed"}
        Whether these are all marks of the track, or a few that hold while the program finds the rest.
    """

    track: str
    reader: str
    read_on: datetime.date | None = None
    blind: bool = False
    marks: tuple[ReadingMark, ...] = ()
    role: Role = "all"


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskSpec:
    """A boring, infill or label: its length counts, its brightness does not.

    Parameters
    ----------
    polygon_px : tuple of points
        At least three corners [x, y].
    why : str
        Empty where not given.
    """

    polygon_px: tuple[Point, ...]
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSpec:
    """A crack or lost piece across a track.

    Parameters
    ----------
    track : str
        Name of the track.
    from_px, to_px : tuple of float
        Where it begins and ends [x, y].
    years : tuple of int
        Least and most years lost.
    """

    track: str
    from_px: Point
    to_px: Point
    years: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class EventSpec:
    """A band that a person knows to be no year of its own.

    Parameters
    ----------
    track : str
        Name of the track.
    at_px : tuple of float
        Its place [x, y]: of a doublet, the crest that is not the annual mark.
    kind : {"doublet", "stress band"}
        The second crest of a year, or a band that tells of stress and no year at all.
    note : str
        Empty where not given.
    """

    track: str
    at_px: Point
    kind: EventKind
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Everything a person knows or decided about one imaged slab.

    Parameters
    ----------
    path : Path
        File that it was read from.
    version : int
        Version of the layout.
    specimen, image, scale, dating
        The tables of those names.
    density : DensitySpec or None
        None where the record has no such table: extension only.
    bulk : BulkSpec or None
        Bulk density measured otherwise; None where the record has no such table.
    volume : VolumeSpec or None
        How the image is cut out of a scan; None where it is a picture.
    photograph : PhotographSpec or None
        A photograph of the same slab, whose stain lines date the bands of this picture.
    colour : ColourSpec
        How the image codes light, and places of known colour.
    tracks, stains, readings, masks, gaps, events, branches : tuple
        The entries of each list, in the order of the record.
    text : str
        The file's text as read; two records that say the same are equal whatever their text.
    """

    path: Path
    version: int
    specimen: Specimen
    image: ImageSpec
    scale: ScaleSpec
    density: DensitySpec | None = None
    dating: DatingSpec = DatingSpec()
    bulk: BulkSpec | None = None
    volume: VolumeSpec | None = None
    photograph: PhotographSpec | None = None
    colour: ColourSpec = field(default_factory=ColourSpec)
    tracks: tuple[TrackSpec, ...] = ()
    stains: tuple[StainSpec, ...] = ()
    readings: tuple[ReadingSpec, ...] = ()
    masks: tuple[MaskSpec, ...] = ()
    gaps: tuple[GapSpec, ...] = ()
    events: tuple[EventSpec, ...] = ()
    branches: tuple[BranchSpec, ...] = ()
    text: str = field(default="", compare=False, repr=False)
