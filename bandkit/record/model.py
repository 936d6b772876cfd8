"""What a slab record holds, as frozen dataclasses: no file access, no checks."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

Point = tuple[float, float]
Box = tuple[float, float, float, float]
Kind = Literal["photograph", "radiograph", "luminescence", "ct"]
Dense = Literal["bright", "dark"]
Values = Literal["intensity", "optical-density", "hounsfield"]
MarkKind = Literal["density maximum", "density minimum", "luminescent line"]
Certainty = Literal["certain", "doubtful", "inserted"]

KINDS: tuple[Kind, ...] = ("photograph", "radiograph", "luminescence", "ct")
DENSE: tuple[Dense, ...] = ("bright", "dark")
VALUES: tuple[Values, ...] = ("intensity", "optical-density", "hounsfield")
MARKS: tuple[MarkKind, ...] = ("density maximum", "density minimum", "luminescent line")
CERTAINTIES: tuple[Certainty, ...] = ("certain", "doubtful", "inserted")


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """The colony that the slab was sawn from.

    Parameters
    ----------
    id : str
        Unique in a batch; also the name of the output folder.
    taxon, site : str
        Empty where not given.
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
    """Where millimetres per pixel come from: exactly one of bar, mm_per_px and the file.

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
    """

    bar: BarSpec | None = None
    mm_per_px: tuple[float, float] | None = None
    from_file: bool = False
    sd_frac: float | None = None
    source_to_detector_mm: float | None = None
    slab_to_detector_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardSpec:
    """A patch of known mass per area in the picture.

    Parameters
    ----------
    box_px : tuple of float
        Box x0, y0, x1, y1.
    material : str
        Such as "aragonite" or "aluminium".
    thickness_mm : float
        Along the beam.
    density_g_cm3 : float or None
        None where the density of that material is to be used.
    """

    box_px: Box
    material: str
    thickness_mm: float
    density_g_cm3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DensitySpec:
    """What turns greys into density.

    Parameters
    ----------
    slab_thickness_mm : float or None
        None where not given: then no density, except from Hounsfield values.
    slab_thickness_sd_mm : float or None
        One standard deviation of the thickness.
    standards : tuple of StandardSpec
        Empty where there are none in the picture.
    effective_kev : float or None
        Effective energy of the beam.
    open_beam_px : tuple of boxes
        Patches with nothing in the beam; empty where the program shall find them.
    """

    slab_thickness_mm: float | None = None
    slab_thickness_sd_mm: float | None = None
    standards: tuple[StandardSpec, ...] = ()
    effective_kev: float | None = None
    open_beam_px: tuple[Box, ...] = ()


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
class StainSpec:
    """One staining of the living colony.

    Parameters
    ----------
    date : datetime.date
        Day of the staining.
    dye : str
        Empty where not given.
    at_px : tuple of float or None
        A person's own pick [x, y]; None where the program shall look for it.
    """

    date: datetime.date
    dye: str = ""
    at_px: Point | None = None


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
    """

    track: str
    reader: str
    read_on: datetime.date | None = None
    blind: bool = False
    marks: tuple[ReadingMark, ...] = ()


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
    tracks, stains, readings, masks, gaps : tuple
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
    tracks: tuple[TrackSpec, ...] = ()
    stains: tuple[StainSpec, ...] = ()
    readings: tuple[ReadingSpec, ...] = ()
    masks: tuple[MaskSpec, ...] = ()
    gaps: tuple[GapSpec, ...] = ()
    text: str = field(default="", compare=False, repr=False)
