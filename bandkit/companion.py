"""Stain lines of a photograph of the same slab, carried onto the tracks of a picture that shows no dye.

The track of this picture is laid over the photograph by the landmarks, the slab straightened along it
there, and the lines found as in any photograph. Their curves come back the same way,
with what the landmarks are off by added to their errors.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.carrier import Brightness
from bandkit.errors import InputError, RecordError
from bandkit.flags import Flag
from bandkit.images import ImageSource, open_image
from bandkit.record import PhotographSpec, Record, StainSpec, TrackSpec, read_record
from bandkit.register import Registration, register
from bandkit.scale import Scale, resolve_scale
from bandkit.stain import StainLine
from bandkit.staining import StainRow, measure_stains
from bandkit.tracks import SlabImage, TrackStrip, cut_strip

FloatArray = NDArray[np.float64]

FAR = 2.0
"""Root mean square distances from the landmarks' middle beyond which a track lies outside them."""
_LEAST_POINTS = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Companion:
    """An open photograph of the same slab, and how it lies over this picture.

    Parameters
    ----------
    record : Record
        The photograph's own record.
    slab : SlabImage
        The photograph.
    full_scale : float
        Its value of white.
    here : Scale
        Scale of this picture.
    registration : Registration
        Places in the photograph as they lie here.
    """

    record: Record
    slab: SlabImage
    full_scale: float
    here: Scale
    registration: Registration

    @property
    def flags(self) -> tuple[Flag, ...]:
        """How the photograph lies, and doubts about the landmarks and the photograph's own scale."""
        found, name = self.registration, self.record.path.name
        detail = f"{name}: {found.n_landmarks} landmarks, off by {found.rms_mm:.2f} mm (root mean square)"
        told = (replace(flag, detail=": ".join(filter(None, (name, flag.detail))))
                for flag in (*found.flags, *self.slab.scale.flags))
        return (Flag(code="photograph-registered", detail=detail), *told)

    def there_px(self, x_px: FloatArray, y_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places of this picture in the photograph."""
        return self.slab.scale.to_px(*self.registration.there(*self.here.to_mm(x_px, y_px)))

    def here_px(self, x_px: FloatArray, y_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places of the photograph in this picture."""
        return self.here.to_px(*self.registration.here(*self.slab.scale.to_mm(x_px, y_px)))

    def lines(self, stains: tuple[StainSpec, ...], record: Record, spec: TrackSpec,
              strip: TrackStrip) -> list[StainLine | None]:
        """Find the lines of stainings along a track of this picture.

        Parameters
        ----------
        stains : tuple of StainSpec
            The stainings.
        record : Record
            The record of this picture.
        spec : TrackSpec
            Its track.
        strip : TrackStrip
            The slab straightened along it, here.

        Returns
        -------
        list of StainLine or None
            One for each staining, in depth along the track here; None where the photograph cannot say.
        """
        x, y = self.there_px(*np.array(spec.points_px, dtype=np.float64).T)
        if not self._shows(x, y):
            return [None] * len(stains)
        laid = replace(spec, points_px=tuple(zip(map(float, x), map(float, y), strict=True)))
        there = cut_strip(self.slab, laid, self.record.masks)
        # both records may say where a line is: a person's pick in the photograph is one in the photograph
        picked = {stain.date: stain.at_px for stain in self.record.stains}
        asked = tuple(replace(stain, at_px=picked.get(stain.date)) for stain in stains)
        of_photograph = replace(self.record, specimen=record.specimen, stains=asked, tracks=(laid,))
        found = measure_stains(of_photograph, laid, there, full_scale=self.full_scale)
        return [self._carried(row, there, strip) for row in found.rows]

    def _shows(self, x_px: FloatArray, y_px: FloatArray) -> bool:
        """Whether a track begins and ends within the photograph, or nearly so."""
        width, height = self.slab.size_px
        slack = 0.1 * max(width, height)
        return bool(np.all((x_px > -slack) & (x_px < width + slack) & (y_px > -slack) & (y_px < height + slack)))

    def _carried(self, row: StainRow, there: TrackStrip, strip: TrackStrip) -> StainLine:
        """A line of the photograph as it lies along the track here."""
        nan = float("nan")
        nothing = np.full(len(strip.across_mm), nan)
        if not row.found:
            return StainLine(found=False, depth_mm=nan, depth_sd_mm=nan, confidence=row.confidence,
                             contrast_to_noise=nan, across_mm=strip.across_mm, line_depth_mm=nothing, tail_mm=nan,
                             flags=("stain-not-found",))
        centre_x, centre_y = there.place(row.depth_mm)
        x, y = self.here_px(centre_x, centre_y)
        depth = strip.axis.project(float(x), float(y))[0] - strip.surface.depth_mm
        place = self.slab.scale.to_mm(centre_x, centre_y)
        far = self.registration.outside_frac(*map(float, place)) > FAR
        across, line = self._curve(row, there, strip)
        codes = [code for code in row.codes if code in ("stain-faint", "stain-picked", "stain-date-doubtful")]
        return StainLine(
            found=True, depth_mm=depth, confidence=row.confidence, contrast_to_noise=nan, tail_mm=nan,
            depth_sd_mm=float(np.hypot(row.depth_sd_mm, self.registration.sd_mm_at(*map(float, place)))),
            across_mm=across, line_depth_mm=line,
            flags=("photograph-stain", *codes, *(("photograph-far",) if far else ())))

    def _curve(self, row: StainRow, there: TrackStrip, strip: TrackStrip) -> tuple[FloatArray, FloatArray]:
        """The line across the slab, as far as it is known, in order of the distance to the side here."""
        known = np.isfinite(row.line_mm)
        x, y = self.here_px(*there.place(row.line_mm[known], row.across_mm[known]))
        places = np.array([strip.axis.project(float(a), float(b)) for a, b in zip(x, y, strict=True)])
        if len(places) < _LEAST_POINTS:
            return np.empty(0), np.empty(0)
        places = places[np.argsort(places[:, 1])]
        return places[:, 1], places[:, 0] - strip.surface.depth_mm


@contextmanager
def open_companion(record: Record, scale: Scale) -> Iterator[Companion | None]:
    """Open the photograph that a record names, and lay it over the record's picture.

    Parameters
    ----------
    record : Record
        The record of a picture that shows no dye.
    scale : Scale
        Scale of that picture.

    Yields
    ------
    Companion or None
        None where the record names none, has no staining, or is of a photograph itself.

    Raises
    ------
    RecordError
        The photograph's record is that of something else, or the landmarks do not tell how the slab lies.
    """
    spec = record.photograph
    if spec is None or not record.stains or record.image.kind == "photograph":
        yield None
        return
    other = read_record(spec.path)
    if other.image.kind != "photograph":
        msg = (f"{record.path}: photograph.record = \"{spec.record}\": that record is of a {other.image.kind}, which "
               "shows no dye; name the record of a photograph")
        raise RecordError(msg)
    with open_image(other.image.path) as image:
        there = _scale_of(other, image)
        yield Companion(record=other, slab=_slab(image, there), full_scale=image.full_scale, here=scale,
                        registration=_registered(record, spec, scale, there, image))


def _scale_of(record: Record, image: ImageSource) -> Scale:
    """Scale of the photograph."""
    try:
        return resolve_scale(record.scale, kind=record.image.kind, resolution_mm_px=image.resolution_mm_px,
                             read=image.read, overview=image.overview, size_px=(image.width_px, image.height_px))
    except InputError as error:
        msg = f"{record.path}: {error}"
        raise type(error)(msg, reason=error.reason) from error


def _slab(image: ImageSource, scale: Scale) -> SlabImage:
    """The photograph as a track sees it."""
    return SlabImage(read=image.read, size_px=(image.width_px, image.height_px), channels=image.channels, scale=scale,
                     carrier=Brightness(full_scale=image.full_scale))


def _registered(record: Record, spec: PhotographSpec, here: Scale, there: Scale, image: ImageSource) -> Registration:
    """How the photograph lies over the picture."""
    for number, landmark in enumerate(spec.landmarks, 1):
        x, y = landmark.there_px
        if not (-0.5 <= x <= image.width_px - 0.5 and -0.5 <= y <= image.height_px - 0.5):
            size = f"{image.width_px} x {image.height_px} px"
            msg = (f"{record.path}: photograph.landmarks[{number}].there_px: [{x:g}, {y:g}] lies outside the "
                   f"photograph of {size}; correct it, or is photograph.record another one?")
            raise RecordError(msg, reason="outside-image")
    ours, theirs = (np.array([getattr(mark, key) for mark in spec.landmarks]) for key in ("here_px", "there_px"))
    try:
        return register(np.column_stack(here.to_mm(*ours.T)), np.column_stack(there.to_mm(*theirs.T)), spec.fit)
    except InputError as error:
        msg = f"{record.path}: {error}"
        raise RecordError(msg, reason=error.reason) from error
