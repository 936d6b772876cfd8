"""The stain lines on one straightened track: a person's picks, and those that are looked for, matched to dates."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bandkit.follow import BandField
from bandkit.record import Record, StainSpec, TrackSpec
from bandkit.stain import Dye, StainLine, assign_stains, dye_index, dye_named, dye_of_tint, find_stains, linear_light
from bandkit.stats import mean_known
from bandkit.strip import ReadRegion
from bandkit.tracks import BESIDE_MM, TrackStrip

FloatArray = NDArray[np.float64]

# A person's pick of a stain edge on a photograph (common practice: 0.1 to 0.5 mm).
PICK_SD_MM = 0.2
# A line that is found this near to a pick is the line that was picked.
SAME_LINE_MM = 2.0
# Points of a picked line that follows its band, for drawing.
DRAWN_POINTS = 25
# Light from outside the skeleton is mixed into its rim this far.
RIM_MM = 0.25


def shows_dye(record: Record, strip: TrackStrip) -> bool:
    """Whether dye can be seen in this picture at all.

    Parameters
    ----------
    record : Record
        The slab record.
    strip : TrackStrip
        The straightened slab.

    Returns
    -------
    bool
        True for a colour photograph of a slab with stainings.
    """
    return bool(record.stains) and strip.values.ndim == 3 and record.image.kind == "photograph"


def dyes_of(record: Record, read: ReadRegion, full_scale: float) -> dict[str, Dye]:
    """What each dye of a record looks like in its picture.

    Parameters
    ----------
    record : Record
        The slab record.
    read : callable
        Reads a region of the image.
    full_scale : float
        Native value of white.

    Returns
    -------
    dict of str to Dye
        By the name in the record; of the tint that the record's boxes show, where it gives them.

    Raises
    ------
    InputError
        When the two boxes are of one colour.
    """
    names = {stain.dye for stain in record.stains}
    spec = record.colour
    if spec.dye_px is None or spec.clean_px is None or record.image.kind != "photograph":
        return {name: dye_named(name) for name in names}
    patches = []
    for x0, y0, x1, y1 in (spec.dye_px, spec.clean_px):
        box = read(round(x0), round(y0), max(round(x1), round(x0) + 1), max(round(y1), round(y0) + 1))
        patches.append(linear_light(np.asarray(box, dtype=np.float64), full_scale=full_scale, encoding=spec.encoding)
                       if box.ndim == 3 else None)
    dyed, clean = patches
    if dyed is None or clean is None:
        return {name: dye_named(name) for name in names}
    return {name: dye_of_tint(name, dyed, clean) for name in names}


def dye_profile(record: Record, strip: TrackStrip, full_scale: float, spec: TrackSpec, dyes: dict[str, Dye]
                ) -> FloatArray:
    """Dye index averaged over the track's width, at the strip's depths.

    Parameters
    ----------
    record : Record
        The slab record.
    strip : TrackStrip
        The straightened slab.
    full_scale : float
        Native value of white.
    spec : TrackSpec
        The track.
    dyes : dict of str to Dye
        As `dyes_of` gives them; the index is that of the first staining's.

    Returns
    -------
    ndarray, shape (n_depth,)
        0 on clean skeleton; NaN where unknown.
    """
    near = np.abs(strip.across_mm) <= (spec.width_mm / 2 if spec.width_mm else BESIDE_MM)
    light = linear_light(strip.values[:, near], full_scale=full_scale, encoding=record.colour.encoding)
    index = dye_index(light, strip.depth_mm, strip.across_mm[near], _dye(record.stains[0], dyes))
    mean = mean_known(index.index, 1)
    return np.asarray(np.interp(strip.depth_mm, index.depth_mm, mean))


def _dye(stain: StainSpec, dyes: dict[str, Dye]) -> Dye:
    """The dye of a staining."""
    return dyes.get(stain.dye) or dye_named(stain.dye)


def lines_on(record: Record, strip: TrackStrip, full_scale: float, field: BandField | None, dyes: dict[str, Dye]
             ) -> list[StainLine | None]:
    """The line of each staining on a track.

    Parameters
    ----------
    record : Record
        The slab record.
    strip : TrackStrip
        The straightened slab.
    full_scale : float
        Native value of white.
    field : BandField or None
        How the bands run, where they were followed.
    dyes : dict of str to Dye
        As `dyes_of` gives them.

    Returns
    -------
    list of StainLine or None
        A person's pick, the line found, the answer that there is none, or None where dye cannot be seen.
    """
    if not shows_dye(record, strip):
        return [_picked(stain, strip, field, ()) for stain in record.stains]
    lines: list[StainLine | None] = [None] * len(record.stains)
    values = _skeleton_only(strip)
    for name in dict.fromkeys(stain.dye for stain in record.stains):
        own = [i for i, stain in enumerate(record.stains) if stain.dye == name]
        found = find_stains(values, strip.depth_mm, strip.across_mm, full_scale=full_scale, count=len(own),
                            dye=_dye(record.stains[own[0]], dyes), encoding=record.colour.encoding)
        for i in own:
            lines[i] = _picked(record.stains[i], strip, field, found)
        wanted = [i for i in own if lines[i] is None]
        # The lines that a person has picked are found as well, and would be taken for others.
        picked_mm = [line.depth_mm for i in own if (line := lines[i]) is not None]
        others = _besides(found, picked_mm, len(wanted))
        for i, line in zip(wanted, _match(record, others, [record.stains[i].date for i in wanted]), strict=True):
            lines[i] = line
    return lines


def _skeleton_only(strip: TrackStrip) -> FloatArray:
    """The strip's colours without what lies outside the outer surface."""
    if not len(strip.outline_mm):
        return strip.values
    outside = strip.depth_mm[:, None] < np.nan_to_num(strip.outline_mm)[None, :] + RIM_MM
    return np.where(outside[..., None], np.nan, strip.values)


def _besides(found: Sequence[StainLine], picked_mm: Sequence[float], most: int) -> list[StainLine]:
    """Lines other than the picked ones, the clearest of them, outermost first; then those that are not there."""
    free = [
        line for line in found if line.found and not any(abs(line.depth_mm - mm) < SAME_LINE_MM for mm in picked_mm)
    ]
    clearest = sorted(free, key=lambda line: line.contrast_to_noise, reverse=True)[:most]
    return [*sorted(clearest, key=lambda line: line.depth_mm), *(line for line in found if not line.found)]


def _match(record: Record, found: Sequence[StainLine], dates: Sequence[dt.date]) -> list[StainLine | None]:
    """Give each staining its line; without a collection date only their order can be used."""
    lines = [line for line in found if line.found]
    missing = next((line for line in found if not line.found), None)
    if record.specimen.collected is None:
        order = sorted(range(len(dates)), key=lambda k: dates[k], reverse=True)
        matched: list[StainLine | None] = [missing] * len(dates)
        for k, line in zip(order, lines, strict=False):
            matched[k] = line
        return matched
    assignment = assign_stains(lines, dates, record.specimen.collected)
    return [replace(line, flags=(*line.flags, *assignment.flags)) if line else missing for line in assignment.lines]


def _picked(stain: StainSpec, strip: TrackStrip, field: BandField | None, found: Sequence[StainLine]
            ) -> StainLine | None:
    """A person's own pick, carried onto the track along the growth surface that it lies on."""
    if stain.at_px is None:
        return None
    depth, aside = strip.axis.project(*stain.at_px)
    depth -= strip.surface.depth_mm
    across, shift = _growth_surface(strip, field, found, depth, aside)
    on_track, at_pick = (float(np.interp(where, across, shift)) for where in (0.0, aside))
    return StainLine(
        found=True,
        depth_mm=depth - (at_pick - on_track),
        depth_sd_mm=PICK_SD_MM,
        confidence=1.0,
        contrast_to_noise=float("nan"),
        across_mm=across,
        line_depth_mm=depth - at_pick + shift,
        tail_mm=float("nan"),
        flags=("stain-picked",),
    )


def _growth_surface(strip: TrackStrip, field: BandField | None, found: Sequence[StainLine], depth_mm: float,
                    aside_mm: float) -> tuple[FloatArray, FloatArray]:
    """The form of the growth surface through a place: a stain line there, a band, the outer surface, or level."""
    for line in found:
        if line.found and abs(float(np.interp(aside_mm, line.across_mm, line.line_depth_mm)) - depth_mm) < SAME_LINE_MM:
            return line.across_mm, line.line_depth_mm
    if field is not None:
        across = np.linspace(strip.across_mm[0], strip.across_mm[-1], DRAWN_POINTS)
        return across, field.shift_at(np.array([depth_mm]), across)[0]
    seen = np.isfinite(strip.outline_mm)
    if len(strip.outline_mm) and seen.any():
        return strip.across_mm[seen], strip.outline_mm[seen]
    return strip.across_mm[[0, -1]], np.zeros(2)
