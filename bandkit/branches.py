"""Branches and nubbins: each is a track from its tip; here is what their tips look like."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from bandkit.record import BranchSpec, Record, TrackSpec
from bandkit.tracks import TrackStrip

Tip = Literal["whole", "broken", "flat"]

# A growing tip is round or pointed; one whose shoulders lie less than this share of half its width below it is flat.
FLAT_FRAC = 0.15
# Shoulders are the outer part of the width from here on.
SHOULDER_FRAC = 0.6
# Fewer columns of the tip than this tell nothing.
LEAST_COLUMNS = 8


def with_branches(record: Record) -> Record:
    """A record whose branches are tracks too.

    Parameters
    ----------
    record : Record
        The slab record.

    Returns
    -------
    Record
        The same where it has no branches.
    """
    own = tuple(TrackSpec(name=branch.name, points_px=branch.points_px) for branch in record.branches)
    return replace(record, tracks=(*record.tracks, *own)) if own else record


def tip_of(branch: BranchSpec, strip: TrackStrip) -> Tip:
    """Whether the tip of a branch is whole.

    Parameters
    ----------
    branch : BranchSpec
        The branch.
    strip : TrackStrip
        The picture straightened along it.

    Returns
    -------
    {"whole", "broken", "flat"}
        As the record says, or "flat" where the tip looks as if it were broken off.

    Notes
    -----
    The outer outline of a round tip falls back by half its width at its shoulders, that of a break hardly. Both
    shoulders are averaged, so that an oblique axis does not matter.
    """
    if branch.broken:
        return "broken"
    seen = np.isfinite(strip.outline_mm) if len(strip.outline_mm) else np.zeros(0, dtype=bool)
    if seen.sum() < LEAST_COLUMNS:
        return "whole"
    across, outline = strip.across_mm[seen], strip.outline_mm[seen]
    half = min(-float(across[0]), float(across[-1]))
    if half <= 0:
        return "whole"
    sides = [outline[side & (np.abs(across) <= half)] for side in (
        across <= -SHOULDER_FRAC * half, across >= SHOULDER_FRAC * half)]
    if not all(len(side) for side in sides):
        return "whole"
    drop = 0.5 * sum(float(np.median(side)) for side in sides) - float(np.interp(0.0, across, outline))
    return "flat" if drop < FLAT_FRAC * half else "whole"
