"""Millimetres per pixel from a bar, from numbers or from the image file, less X-ray magnification."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bandkit.errors import ScaleError
from bandkit.flags import Flag
from bandkit.scale.bar import SURE_CONFIDENCE, OverviewLike, Read, find_bar_within
from bandkit.scale.from_ruler import mm_per_px, rulers_of
from bandkit.scale.perspective import STEEP, Plane, plane_of
from bandkit.scale.piece import Point
from bandkit.scale.xray import magnification

if TYPE_CHECKING:
    from bandkit.record import BarSpec, RectifySpec, RulerSpec, ScaleSpec

FloatArray = NDArray[np.float64]

MM_PER_INCH = 25.4
HAND_END_SD_PX = 0.5
"""A person's click on a sharp edge, seen enlarged."""
NUMBERS_SD_FRAC = 0.005
"""A scale typed without its error: readings of a bar or ruler agree to 0.2 to 1 percent."""
TAGS_SD_FRAC = 0.02
"""A scale from file tags, or one not corrected for magnification: good pitches are within 1 percent, uncorrected
magnification adds 0.5 to 4. It cannot cover a tag that is plainly wrong; that is what the flag is for."""
UNCLEAR_ENDS_FRAC = 0.002
"""A found bar is doubtful from here on: ends that blur mixes with their strokes are off by this much and more."""
UNSET_DPI = (72, 96)
"""Resolutions that programs write when they know none."""
POSSIBLE_MM_PX = (1e-4, 10.0)
"""From a microscope's pixel to one as wide as a band: outside, the number is in another unit."""
USUAL_SIDE_MM = (20.0, 1000.0)
"""Longer side of a picture of a slab; the largest X-ray films and detectors are 430 mm, some scans join two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What a pixel measures in the plane of the slab.

    Parameters
    ----------
    x_mm_px, y_mm_px : float
        Millimetres per pixel along x and y, corrected for magnification.
    sd_frac : float
        Standard deviation of the scale as a fraction; common to all lengths of the slab.
    source : {"bar", "bar found", "ruler", "ruler found", "corners", "mm_per_px", "file"}
        Where it comes from.
    magnification : float
        What lengths at the detector were divided by; 1 where not corrected.
    bar_px : tuple of two points or None
        Ends of the bar, or outermost ticks of the ruler.
    plane : Plane or None
        The plane in which lengths are measured where the picture is oblique; ``x_mm_px`` and ``y_mm_px`` then hold at
        the middle of its rectangle.
    flags : tuple of Flag
        Doubts about it.
    """

    x_mm_px: float
    y_mm_px: float
    sd_frac: float
    source: str
    magnification: float = 1.0
    bar_px: tuple[Point, Point] | None = None
    plane: Plane | None = None
    flags: tuple[Flag, ...] = ()

    def __post_init__(self) -> None:
        """Refuse numbers that are no scale."""
        for name in ("x_mm_px", "y_mm_px"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                msg = f"scale ({self.source}): {name} must be a positive number of millimetres, got {value:g}"
                raise ScaleError(msg)
        if not (np.isfinite(self.sd_frac) and 0 <= self.sd_frac < 1):
            msg = f"scale.sd_frac: must be a fraction from 0 up to 1, such as 0.002, got {self.sd_frac:g}"
            raise ScaleError(msg)

    @property
    def mean_mm_px(self) -> float:
        """Mean of both directions."""
        return (self.x_mm_px + self.y_mm_px) / 2

    @property
    def mm_per_px(self) -> tuple[float, float]:
        """Both directions, x first."""
        return self.x_mm_px, self.y_mm_px


    def to_mm(self, x_px: FloatArray | float, y_px: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """Places of the picture in the plane in which lengths are measured, in mm."""
        if self.plane is not None:
            return self.plane.to_mm(x_px, y_px)
        return np.asarray(x_px, float) * self.x_mm_px, np.asarray(y_px, float) * self.y_mm_px

    def to_px(self, x_mm: FloatArray | float, y_mm: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """Places in that plane on the picture, in pixels."""
        if self.plane is not None:
            return self.plane.to_px(x_mm, y_mm)
        return np.asarray(x_mm, float) / self.x_mm_px, np.asarray(y_mm, float) / self.y_mm_px


def scale_from_bar(from_px: Point, to_px: Point, length_mm: float, *, end_sd_px: float = HAND_END_SD_PX,
                   sd_frac: float | None = None, source: str = "bar") -> Scale:
    r"""Scale from the two ends of a bar of known length.

    Parameters
    ----------
    from_px, to_px : tuple of float
        Ends, ``(x, y)``.
    length_mm : float
        Distance between them.
    end_sd_px : float, optional
        Standard deviation of each end along the bar; half a pixel for a click.
    sd_frac : float, optional
        What the scale may be off by; from the ends' error where absent.
    source : str, optional
        "bar", or "bar found" for ends that the program found.

    Returns
    -------
    Scale
        The same for x and y: pixels are taken as square.

    Raises
    ------
    ScaleError
        A length that is not positive, or ends that fall together.

    Notes
    -----
    :math:`s = L / \sqrt{\Delta x^2 + \Delta y^2}`, and
    :math:`\sigma_s / s = \sqrt{2}\,\sigma_{end} / \sqrt{\Delta x^2 + \Delta y^2}`.
    """
    if not (np.isfinite(length_mm) and length_mm > 0):
        msg = f"scale.bar.length_mm: must be positive, got {length_mm:g}; write the bar's true length in mm"
        raise ScaleError(msg)
    length_px = float(np.hypot(to_px[0] - from_px[0], to_px[1] - from_px[1]))
    if not (np.isfinite(length_px) and length_px > 1):
        msg = (f"scale.bar: from_px {list(from_px)} and to_px {list(to_px)} are less than a pixel apart; "
               "give the bar's two ends")
        raise ScaleError(msg)
    mm_px = length_mm / length_px
    sd = float(np.sqrt(2) * end_sd_px / length_px) if sd_frac is None else sd_frac
    return Scale(x_mm_px=mm_px, y_mm_px=mm_px, sd_frac=sd, source=source, bar_px=(from_px, to_px))


def scale_from_numbers(x_mm_px: float, y_mm_px: float | None = None, *, sd_frac: float | None = None) -> Scale:
    """Scale that a person gives as numbers.

    Parameters
    ----------
    x_mm_px : float
        Millimetres per pixel along x.
    y_mm_px : float, optional
        The same along y; as along x where absent.
    sd_frac : float, optional
        What it may be off by; `NUMBERS_SD_FRAC` where absent.

    Returns
    -------
    Scale
        With x and y apart.

    Raises
    ------
    ScaleError
        A number that is not positive.
    """
    return Scale(x_mm_px=x_mm_px, y_mm_px=x_mm_px if y_mm_px is None else y_mm_px,
                 sd_frac=NUMBERS_SD_FRAC if sd_frac is None else sd_frac, source="mm_per_px")


def scale_from_tags(resolution_mm_px: tuple[float, float] | None, *, sd_frac: float | None = None,
                    spacing_at: str = "tags") -> Scale:
    """Scale from the resolution that the image file states.

    Parameters
    ----------
    resolution_mm_px : tuple of float or None
        Millimetres per pixel along x and y as the file states them.
    sd_frac : float, optional
        What it may be off by; `TAGS_SD_FRAC` where absent, `NUMBERS_SD_FRAC` for a spacing in the slab itself.
    spacing_at : {"tags", "object", "detector", "unclear"}, optional
        Where the stated resolution holds: a picture's dots per inch, in the slab itself, in its X-ray shadow, or in
        one of these two.

    Returns
    -------
    Scale
        Flagged, unless it holds in the slab itself: tags are often wrong, a shadow is larger than the thing.

    Raises
    ------
    ScaleError
        The file states no resolution.
    """
    if resolution_mm_px is None:
        msg = "scale.source: the image file states no resolution; give scale.bar or scale.mm_per_px instead"
        raise ScaleError(msg)
    x_mm_px, y_mm_px = resolution_mm_px
    usual = NUMBERS_SD_FRAC if spacing_at == "object" else TAGS_SD_FRAC
    scale = Scale(x_mm_px=x_mm_px, y_mm_px=y_mm_px, sd_frac=usual if sd_frac is None else sd_frac, source="file")
    if spacing_at == "tags":
        return replace(scale, flags=(Flag(code="scale-from-file-tags", detail=_dots_per_inch(x_mm_px, y_mm_px)),))
    return replace(scale, flags=(Flag(code="spacing-unclear"),)) if spacing_at == "unclear" else scale


def resolve_scale(spec: ScaleSpec, *, kind: str, resolution_mm_px: tuple[float, float] | None,
                  size_px: tuple[int, int], read: Read, overview: Callable[[], OverviewLike],
                  spacing_at: str = "tags", file_magnification: float | None = None) -> Scale:
    """Scale of an image from what its record says.

    Parameters
    ----------
    spec : ScaleSpec
        The record's scale.
    kind : str
        The record's kind of image.
    resolution_mm_px : tuple of float or None
        What the image file states.
    size_px : tuple of int
        Width and height of the image.
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends excluded; only
        called where a bar must be found.
    overview : callable
        Gives block means of the whole image; only called where a bar must be found
        in a large region.
    spacing_at : {"tags", "object", "detector", "unclear"}, optional
        Where the resolution that the file states holds; see `scale_from_tags`.
    file_magnification : float, optional
        Magnification that the file states for a resolution at the detector.

    Returns
    -------
    Scale
        With all doubts about it.

    Raises
    ------
    ScaleError
        No scale, wrong or impossible numbers, or a bar that is not found.
    """
    if spec.bar is not None:
        scale = _from_bar_spec(spec.bar, spec.sd_frac, size_px=size_px, read=read, overview=overview)
        scale = _flag_oblong_pixels(scale, resolution_mm_px)
    elif spec.rulers:
        scale = _from_rulers(spec.rulers, spec.sd_frac, size_px=size_px, read=read, overview=overview)
        scale = _flag_oblong_pixels(scale, resolution_mm_px) if scale.x_mm_px == scale.y_mm_px else scale
    elif spec.rectify is not None:
        scale = _from_corners(spec.rectify, spec.sd_frac, kind)
    elif spec.mm_per_px is not None:
        scale = scale_from_numbers(*spec.mm_per_px, sd_frac=spec.sd_frac)
    elif spec.from_file:
        scale = scale_from_tags(resolution_mm_px, sd_frac=spec.sd_frac, spacing_at=spacing_at)
    else:
        msg = "scale: nothing is given; give one of scale.bar, scale.ruler, scale.mm_per_px or scale.source"
        raise ScaleError(msg)
    stated_at = spacing_at if spec.from_file else "tags"
    return _flag_size(_correct_magnification(scale, spec, kind, stated_at, file_magnification), size_px)


def _from_bar_spec(bar: BarSpec, sd_frac: float | None, *, size_px: tuple[int, int], read: Read,
                   overview: Callable[[], OverviewLike]) -> Scale:
    """Scale from given ends, or from ends looked for in the box or the whole image."""
    if bar.from_px is not None and bar.to_px is not None:
        return scale_from_bar(bar.from_px, bar.to_px, bar.length_mm, sd_frac=sd_frac)
    found = find_bar_within(bar.within_px, size_px=size_px, read=read, overview=overview)
    scale = scale_from_bar(found.from_px, found.to_px, bar.length_mm, end_sd_px=found.sd_px / np.sqrt(2),
                           sd_frac=sd_frac, source="bar found")
    (ax, ay), (bx, by) = found.from_px, found.to_px
    detail = f"{found.length_px:.1f} px from [{ax:.1f}, {ay:.1f}] to [{bx:.1f}, {by:.1f}]"
    flags = [Flag(code="scale-bar-found", detail=detail)]
    if found.confidence < SURE_CONFIDENCE:
        flags.append(Flag(code="scale-bar-doubtful", detail=f"confidence {found.confidence:.2f}"))
    elif found.sd_px > UNCLEAR_ENDS_FRAC * found.length_px:
        detail = f"its ends are unclear: length {found.length_px:.1f} px, sd {found.sd_px:.1f} px"
        flags.append(Flag(code="scale-bar-doubtful", detail=detail))
    return replace(scale, flags=tuple(flags))


def _from_rulers(specs: tuple[RulerSpec, ...], sd_frac: float | None, *, size_px: tuple[int, int], read: Read,
                 overview: Callable[[], OverviewLike]) -> Scale:
    """Scale from one ruler, or from two at right angles."""
    places, flags = rulers_of(specs, size_px=size_px, read=read, overview=overview)
    x_mm_px, y_mm_px, found_sd_frac = mm_per_px(places)
    first = places[0][0]
    return Scale(x_mm_px=x_mm_px, y_mm_px=y_mm_px, sd_frac=found_sd_frac if sd_frac is None else sd_frac, flags=flags,
                 source="ruler" if specs[0].from_px else "ruler found", bar_px=(first.from_px, first.to_px))


def _from_corners(spec: RectifySpec, sd_frac: float | None, kind: str) -> Scale:
    """Scale in the plane of four corners."""
    if kind not in ("photograph", "luminescence"):
        msg = (f"scale.rectify: image.kind is {kind!r}, and only what a camera took is made square by four corners; "
               "give another scale")
        raise ScaleError(msg)
    plane = plane_of(spec.corners_px, spec.width_mm, spec.height_mm)
    x_mm_px, y_mm_px = plane.mm_per_px(*plane.middle_px)
    flags = [Flag(code="rectified")]
    if plane.stretch > STEEP:
        flags.append(Flag(code="rectified-steeply", detail=f"stretched {plane.stretch:.2f} times"))
    return Scale(x_mm_px=x_mm_px, y_mm_px=y_mm_px, sd_frac=plane.sd_frac if sd_frac is None else sd_frac,
                 source="corners", plane=plane, flags=tuple(flags))


def _correct_magnification(scale: Scale, spec: ScaleSpec, kind: str, spacing_at: str,
                           file_magnification: float | None) -> Scale:
    """Divide by the magnification, or say that it is not known."""
    source, height = spec.source_to_detector_mm, spec.slab_to_detector_mm
    if source is None and height is None:
        if spacing_at != "tags":
            return _magnified_by_file(scale, spacing_at, file_magnification)
        return _flag_magnification(scale, spec) if kind == "radiograph" and scale.bar_px is None else scale
    if source is None or height is None:
        given, missing = "source_to_detector_mm", "slab_to_detector_mm"
        if source is None:
            given, missing = missing, given
        msg = f"scale.{given}: is of no use without scale.{missing}; give both or neither"
        raise ScaleError(msg)
    if kind != "radiograph":
        msg = (f"scale.source_to_detector_mm: image.kind is {kind!r}, and only a radiograph is magnified this way; "
               "take both distances out")
        raise ScaleError(msg)
    if spacing_at == "object":
        msg = (f"scale.source_to_detector_mm: {source:g} would correct a spacing that by the file holds in the slab "
               "itself; take both distances out")
        raise ScaleError(msg)
    factor = magnification(source, height)
    return replace(scale, x_mm_px=scale.x_mm_px / factor, y_mm_px=scale.y_mm_px / factor, magnification=factor)


def _magnified_by_file(scale: Scale, spacing_at: str, factor: float | None) -> Scale:
    """Divide a spacing at the detector by the magnification that the file states, or say that it states none."""
    if spacing_at != "detector":
        return scale
    if factor is None:
        return replace(scale, flags=(*scale.flags, Flag(code="spacing-at-detector")))
    flag = Flag(code="magnification-from-file", detail=f"{factor:.4g}")
    return replace(scale, x_mm_px=scale.x_mm_px / factor, y_mm_px=scale.y_mm_px / factor, magnification=factor,
                   flags=(*scale.flags, flag))


def _flag_size(scale: Scale, size_px: tuple[int, int]) -> Scale:
    """Refuse a scale in another unit, and say where the picture becomes one that slabs do not have."""
    low, high = POSSIBLE_MM_PX
    if not all(low <= one <= high for one in scale.mm_per_px):
        msg = (f"scale: {scale.x_mm_px:.4g} x {scale.y_mm_px:.4g} mm per pixel is no picture of a slab; "
               "check the number and its unit")
        raise ScaleError(msg, reason="impossible-scale")
    width, height = (n * one for n, one in zip(size_px, scale.mm_per_px, strict=True))
    if USUAL_SIDE_MM[0] <= max(width, height) <= USUAL_SIDE_MM[1]:
        return scale
    flag = Flag(code="scale-unusual", detail=f"{width:.0f} x {height:.0f} mm")
    return replace(scale, flags=(*scale.flags, flag))


def _flag_magnification(scale: Scale, spec: ScaleSpec) -> Scale:
    """Add the flag, and a wider error unless the record states one."""
    sd_frac = scale.sd_frac if spec.sd_frac is not None else max(scale.sd_frac, TAGS_SD_FRAC)
    return replace(scale, sd_frac=sd_frac, flags=(*scale.flags, Flag(code="scale-no-magnification")))


def _flag_oblong_pixels(scale: Scale, resolution_mm_px: tuple[float, float] | None) -> Scale:
    """Say where the file states oblong pixels: one bar cannot give both directions."""
    if resolution_mm_px is None or abs(resolution_mm_px[0] / resolution_mm_px[1] - 1) < NUMBERS_SD_FRAC:
        return scale
    flag = Flag(code="scale-one-direction", detail=f"the file states {_dots_per_inch(*resolution_mm_px)}")
    return replace(scale, flags=(*scale.flags, flag))


def _dots_per_inch(x_mm_px: float, y_mm_px: float) -> str:
    """Resolution as a person knows it."""
    x, y = MM_PER_INCH / x_mm_px, MM_PER_INCH / y_mm_px
    text = f"{x:.4g} dpi" if abs(x / y - 1) < 1e-3 else f"{x:.4g} x {y:.4g} dpi"
    if round(x) in UNSET_DPI:
        text += ", which programs write when they know none"
    return text
