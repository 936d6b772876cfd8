"""Millimetres per pixel from a bar, from numbers or from the image file, less X-ray magnification."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from bandkit.errors import ScaleError
from bandkit.flags import Flag
from bandkit.scale.bar import SURE_CONFIDENCE, OverviewLike, Read, find_bar_within
from bandkit.scale.piece import Point

if TYPE_CHECKING:
    from bandkit.record import BarSpec, ScaleSpec

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
    source : {"bar", "bar found", "mm_per_px", "file"}
        Where it comes from.
    magnification : float
        What lengths at the detector were divided by; 1 where not corrected.
    bar_px : tuple of two points or None
        Ends of the bar.
    flags : tuple of Flag
        Doubts about it.
    """

    x_mm_px: float
    y_mm_px: float
    sd_frac: float
    source: str
    magnification: float = 1.0
    bar_px: tuple[Point, Point] | None = None
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


def scale_from_tags(resolution_mm_px: tuple[float, float] | None, *, sd_frac: float | None = None) -> Scale:
    """Scale from the resolution that the image file states.

    Parameters
    ----------
    resolution_mm_px : tuple of float or None
        Millimetres per pixel along x and y as the file states them.
    sd_frac : float, optional
        What it may be off by; `TAGS_SD_FRAC` where absent.

    Returns
    -------
    Scale
        Flagged: such tags are often wrong.

    Raises
    ------
    ScaleError
        The file states no resolution.
    """
    if resolution_mm_px is None:
        msg = "scale.source: the image file states no resolution; give scale.bar or scale.mm_per_px instead"
        raise ScaleError(msg)
    x_mm_px, y_mm_px = resolution_mm_px
    scale = Scale(x_mm_px=x_mm_px, y_mm_px=y_mm_px, sd_frac=TAGS_SD_FRAC if sd_frac is None else sd_frac, source="file")
    flag = Flag(code="scale-from-file-tags", detail=_dots_per_inch(x_mm_px, y_mm_px))
    return replace(scale, flags=(flag,))


def magnification(source_to_detector_mm: float, slab_to_detector_mm: float) -> float:
    """How much larger than the slab its X-ray shadow is.

    Parameters
    ----------
    source_to_detector_mm : float
        From the X-ray source to film or detector.
    slab_to_detector_mm : float
        From the middle of the slab's thickness to film or detector.

    Returns
    -------
    float
        Lengths at the detector over lengths in the slab, at least 1.

    Raises
    ------
    ScaleError
        Distances that no set-up has.

    Notes
    -----
    By similar triangles :math:`M = D / (D - h)`, with the distance D from source to
    detector and the height h of the slab's middle over the detector: at 1000 mm a slab
    lying 5 mm up on average is shown 0.5 % too large, one on a tray 40 mm up 4.2 %.
    """
    if not (np.isfinite(source_to_detector_mm) and source_to_detector_mm > 0):
        msg = f"scale.source_to_detector_mm: must be positive, got {source_to_detector_mm:g}"
        raise ScaleError(msg)
    if not 0 <= slab_to_detector_mm < source_to_detector_mm:
        msg = (f"scale.slab_to_detector_mm: must be from 0 up to source_to_detector_mm ({source_to_detector_mm:g}), "
               f"got {slab_to_detector_mm:g}")
        raise ScaleError(msg)
    return source_to_detector_mm / (source_to_detector_mm - slab_to_detector_mm)


def resolve_scale(spec: ScaleSpec, *, kind: str, resolution_mm_px: tuple[float, float] | None,
                  size_px: tuple[int, int], read: Read, overview: Callable[[], OverviewLike]) -> Scale:
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
    elif spec.mm_per_px is not None:
        scale = scale_from_numbers(*spec.mm_per_px, sd_frac=spec.sd_frac)
    elif spec.from_file:
        scale = scale_from_tags(resolution_mm_px, sd_frac=spec.sd_frac)
    else:
        msg = "scale: nothing is given; give one of scale.bar, scale.mm_per_px or scale.source"
        raise ScaleError(msg)
    return _flag_size(_correct_magnification(scale, spec, kind), size_px)


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


def _correct_magnification(scale: Scale, spec: ScaleSpec, kind: str) -> Scale:
    """Divide by the magnification, or say that it is not known."""
    source, height = spec.source_to_detector_mm, spec.slab_to_detector_mm
    if source is None and height is None:
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
    factor = magnification(source, height)
    return replace(scale, x_mm_px=scale.x_mm_px / factor, y_mm_px=scale.y_mm_px / factor, magnification=factor)


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
