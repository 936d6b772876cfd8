"""Stain lines of one slab: from lines in the colour strip to dated extension.

A radiograph does not show dye; there a person's pick is used. In a photograph the
lines are looked for, matched in order to the staining dates, and each gives the
extension since: distance from its distal edge to the surface over the time.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.dates import years_between
from bandkit.dating import check_against_stain
from bandkit.flags import Flag
from bandkit.record import Record, StainSpec, TrackSpec
from bandkit.stain import (
    Increment,
    StainLine,
    assign_stains,
    dye_index,
    extension_since,
    find_stains,
    interval_flags,
    linear_light,
    stain_increments,
)
from bandkit.stats import mean_known
from bandkit.tracks import BESIDE_MM, MeasuredTrack, TrackStrip

FloatArray = NDArray[np.float64]

# A person's pick of a stain edge on a photograph (common practice: 0.1 to 0.5 mm).
PICK_SD_MM = 0.2
# A line that is found this near to a pick is the line that was picked.
SAME_LINE_MM = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StainRow:
    """One staining on one track.

    Parameters
    ----------
    date : datetime.date
        When the colony was stained.
    dye : str
        What with.
    found : bool
        Whether its line is there.
    depth_mm, depth_sd_mm : float
        Distal edge on the track from the surface; NaN where not found.
    interval_yr : float
        Time from staining to collection; NaN where not known.
    extension_mm_yr, extension_sd_mm_yr : float
        Extension since staining, along the track.
    increment : Increment or None
        Growth between this line and the next newer one, or the surface.
    confidence : float
        Probability that the line is there.
    codes : tuple of str
        Flag codes.
    across_mm, line_mm : ndarray, shape (n_across,)
        The line across the slab, for drawing.
    """

    date: dt.date
    dye: str
    found: bool
    depth_mm: float
    depth_sd_mm: float
    interval_yr: float
    extension_mm_yr: float
    extension_sd_mm_yr: float
    confidence: float
    codes: tuple[str, ...]
    across_mm: FloatArray
    line_mm: FloatArray
    increment: Increment | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredStains:
    """The stainings on one track, in the order of the record.

    Parameters
    ----------
    track : str
        Name of the track.
    strip : TrackStrip
        The straightened slab.
    rows : tuple of StainRow
        One per staining.
    flags : tuple of Flag
        Doubts.
    dye_index : ndarray or None, shape (n_depth,)
        Colour index of the dye along the track, 0 on clean skeleton; None where the picture cannot show dye.
    """

    track: str
    strip: TrackStrip
    rows: tuple[StainRow, ...]
    flags: tuple[Flag, ...]
    dye_index: FloatArray | None = None


def measure_stains(
    record: Record,
    spec: TrackSpec,
    strip: TrackStrip,
    *,
    full_scale: float,
    scale_sd_frac: float = 0.0,
    track: MeasuredTrack | None = None,
) -> MeasuredStains:
    """Find the stainings of a slab on one track.

    Parameters
    ----------
    record : Record
        The slab record.
    spec : TrackSpec
        The track.
    strip : TrackStrip
        The straightened slab.
    full_scale : float
        Native value of white.
    scale_sd_frac : float
        What the scale may be off by, as a fraction.
    track : MeasuredTrack, optional
        The same track with its marks, where there are any: the count is checked against the stain.

    Returns
    -------
    MeasuredStains
        One row per staining, found or not.
    """
    lines = _lines(record, strip, full_scale)
    rows = _with_increments(
        [_row(record, stain, line, strip, scale_sd_frac) for stain, line in zip(record.stains, lines, strict=True)],
        record,
        strip.surface.sd_mm,
    )
    flags = [
        Flag(code=code, detail=row.date.isoformat(), track=spec.name, depth_mm=row.depth_mm if row.found else None)
        for row in rows
        for code in row.codes
    ]
    if track is not None and len(track.marks.depth_mm):
        flags += _check_count(record, track, rows, spec.name)
    return MeasuredStains(
        track=spec.name,
        strip=strip,
        rows=rows,
        flags=tuple(flags),
        dye_index=_dye_profile(strip, full_scale, spec) if _shows_dye(record, strip) else None,
    )


def _with_increments(rows: list[StainRow], record: Record, surface_sd_mm: float) -> tuple[StainRow, ...]:
    """Add to each line that was found the growth between it and the next newer one, or the surface."""
    dated = [k for k, row in enumerate(rows) if row.found and row.interval_yr > 0]
    if record.specimen.collected is None or not dated:
        return tuple(rows)
    dated.sort(key=lambda k: rows[k].date, reverse=True)
    depths = [rows[k].depth_mm for k in dated]
    if np.any(np.diff(depths) <= 0):
        return tuple(rows)
    increments = stain_increments(
        depths,
        [rows[k].depth_sd_mm for k in dated],
        [rows[k].date for k in dated],
        record.specimen.collected,
        surface_sd_mm=surface_sd_mm,
    )
    for k, increment in zip(dated, increments, strict=True):
        rows[k] = replace(rows[k], increment=increment)
    return tuple(rows)


def _shows_dye(record: Record, strip: TrackStrip) -> bool:
    """Whether dye can be seen in this picture at all."""
    return bool(record.stains) and strip.values.ndim == 3 and record.image.kind == "photograph"


def _dye_profile(strip: TrackStrip, full_scale: float, spec: TrackSpec) -> FloatArray:
    """Dye index averaged over the track's width, at the strip's depths."""
    light = linear_light(strip.values, full_scale=full_scale)
    index = dye_index(light, strip.depth_mm, strip.across_mm)
    near = np.abs(index.across_mm) <= (spec.width_mm / 2 if spec.width_mm else BESIDE_MM)
    mean = mean_known(index.index[:, near], 1)
    return np.asarray(np.interp(strip.depth_mm, index.depth_mm, mean))


def _lines(record: Record, strip: TrackStrip, full_scale: float) -> list[StainLine | None]:
    """The line of each staining: a person's pick, the one found, or None where none can be seen."""
    picked = [_picked(stain, strip) for stain in record.stains]
    if all(line is not None for line in picked) or not _shows_dye(record, strip):
        return picked
    wanted = [i for i, line in enumerate(picked) if line is None]
    # The lines that a person has picked are found as well, and would be taken for others.
    found = find_stains(strip.values, strip.depth_mm, strip.across_mm, full_scale=full_scale, count=len(picked))
    others = _besides(found, [line.depth_mm for line in picked if line is not None], len(wanted))
    for i, line in zip(wanted, _match(record, others, [record.stains[i].date for i in wanted]), strict=True):
        picked[i] = line
    return picked


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


def _picked(stain: StainSpec, strip: TrackStrip) -> StainLine | None:
    """A person's own pick, carried square onto the track."""
    if stain.at_px is None:
        return None
    depth = strip.axis.project(*stain.at_px)[0] - strip.surface.depth_mm
    across = strip.across_mm[[0, -1]]
    return StainLine(
        found=True,
        depth_mm=depth,
        depth_sd_mm=PICK_SD_MM,
        confidence=1.0,
        contrast_to_noise=float("nan"),
        across_mm=across,
        line_depth_mm=np.full(2, depth),
        tail_mm=float("nan"),
        flags=("stain-picked",),
    )


def _row(record: Record, stain: StainSpec, line: StainLine | None, strip: TrackStrip, scale_sd_frac: float) -> StainRow:
    """Turn one line into one row."""
    collected = record.specimen.collected
    alive = record.specimen.top_alive is not False
    interval = years_between(stain.date, collected) if collected is not None and alive else float("nan")
    codes: list[str] = []
    extension = extension_sd = float("nan")
    if line is None or not line.found:
        codes.append("stain-not-found" if _shows_dye(record, strip) else "stain-not-visible")
    else:
        codes += line.flags
        if line.depth_mm < 0:
            codes.append("stain-outside-image")
        elif interval > 0:
            codes += interval_flags(interval)
            extension, extension_sd = extension_since(
                line.depth_mm, line.depth_sd_mm, interval, surface_sd_mm=strip.surface.sd_mm
            )
            extension_sd = float(np.hypot(extension_sd, scale_sd_frac * extension))
    found = line is not None and line.found
    nothing = np.empty(0)
    return StainRow(
        date=stain.date,
        dye=stain.dye,
        found=found,
        depth_mm=line.depth_mm if line and found else float("nan"),
        depth_sd_mm=line.depth_sd_mm if line and found else float("nan"),
        interval_yr=interval,
        extension_mm_yr=extension,
        extension_sd_mm_yr=extension_sd,
        confidence=line.confidence if line else float("nan"),
        codes=tuple(codes),
        across_mm=line.across_mm if line and found else nothing,
        line_mm=line.line_depth_mm if line and found else nothing,
    )


def _check_count(record: Record, track: MeasuredTrack, rows: Sequence[StainRow], name: str) -> list[Flag]:
    """Compare the years counted outside each stain with the dates."""
    checks = [
        check_against_stain(
            track.marks.depth_mm,
            track.dated,
            stain_depth_mm=row.depth_mm,
            stain_date=row.date,
            collected=record.specimen.collected,
            track=name,
        )
        for row in rows
        if row.found
    ]
    return [check.flag for check in checks if check.flag is not None]


def offer_stains(stains: list[MeasuredStains]) -> list[MeasuredStains]:
    """Say once, not per track, that a radiograph does not show dye.

    Parameters
    ----------
    stains : list of MeasuredStains
        One per track.

    Returns
    -------
    list of MeasuredStains
        The same, with that flag on the first track only.
    """
    told: set[tuple[str, str]] = set()
    out = []
    for item in stains:
        kept = []
        for flag in item.flags:
            key = (flag.code, flag.detail)
            if flag.code == "stain-not-visible" and key in told:
                continue
            told.add(key)
            kept.append(flag)
        out.append(replace(item, flags=tuple(kept)))
    return out
