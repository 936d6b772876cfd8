"""What is drawn on the image."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.follow import BandField
from bandkit.results import Polyline
from bandkit.staining import MeasuredStains
from bandkit.tracks import MeasuredTrack, TrackStrip

FloatArray = NDArray[np.float64]


def drawn_lines(stains: MeasuredStains, tracks: Sequence[MeasuredTrack]) -> list[Polyline]:
    """What is drawn on the image for one track."""
    strip, name = stains.strip, stains.track
    lines = [_line(strip, name, "track", name, strip.depth_mm, 0.0)]
    surface = strip.surface
    seen = np.isfinite(strip.outline_mm)
    if seen.any():
        x_px, y_px = strip.place(strip.outline_mm[seen], strip.across_mm[seen])
    else:
        x_px, y_px = strip.axis.at(surface.line_mm, surface.across_mm)
    if surface.found:
        lines.append(Polyline(track=name, role="surface", label="surface", x_px=x_px, y_px=y_px))
    for row in stains.rows:
        if row.found:
            lines.append(_line(strip, name, "stain", row.date.isoformat(), row.line_mm, row.across_mm))
    for track in tracks:
        if track.spec.name == name:
            lines += [_outline(track), *_mark_lines(track), *_event_lines(track)]
    return lines


def _line(
    strip: TrackStrip, track: str, role: Any, label: str, depth_mm: FloatArray, across_mm: FloatArray | float
) -> Polyline:
    """A line given by depth from the surface and distance across."""
    x_px, y_px = strip.place(depth_mm, across_mm)
    known = np.isfinite(x_px) & np.isfinite(y_px)
    return Polyline(track=track, role=role, label=label, x_px=x_px[known], y_px=y_px[known])


def _outline(track: MeasuredTrack) -> Polyline:
    """Outline of the slab width over which the bands were followed."""
    strip = track.strip
    depth = np.concatenate([strip.depth_mm, strip.depth_mm[::-1], strip.depth_mm[:1]])
    sides = np.repeat([strip.across_mm[0], strip.across_mm[-1]], len(strip.depth_mm))
    return _line(strip, track.spec.name, "strip", "", depth, np.append(sides, strip.across_mm[0]))


def _mark_lines(track: MeasuredTrack) -> list[Polyline]:
    """Each annual mark drawn along its band."""
    strip, field = track.strip, track.field
    across = _drawn_across(strip, field)
    lines = []
    for i, depth in enumerate(track.marks.depth_mm):
        shift = field.shift_at(np.array([depth]), across)[0]
        x_px, y_px = strip.place(depth + shift, across)
        lines.append(
            Polyline(
                track=track.spec.name,
                role="mark",
                label=f"{track.dated.year[i]:.0f}",
                x_px=x_px,
                y_px=y_px,
                certainty=str(track.marks.certainty[i]),
            )
        )
    return lines


def _event_lines(track: MeasuredTrack) -> list[Polyline]:
    """Second crests and stress bands along their bands; both ends of a gap."""
    strip, field = track.strip, track.field
    across = _drawn_across(strip, field)
    lines = []
    for event in track.events:
        places = {
            "doublet": (event.second_mm,),
            "stress band": (event.depth_mm,),
            "gap": (event.depth_mm, event.second_mm),
            # An absent year is drawn as the mark that a person inserted.
            "absent year": (),
        }[event.kind]
        for depth in places:
            x_px, y_px = strip.place(depth + field.shift_at(np.array([depth]), across)[0], across)
            lines.append(
                Polyline(
                    track=track.spec.name,
                    role="event",
                    label=event.kind,
                    x_px=x_px,
                    y_px=y_px,
                    certainty=event.certainty,
                )
            )
    return lines


def _drawn_across(strip: TrackStrip, field: BandField) -> FloatArray:
    """Distances across at which band lines are drawn: where bands were followed."""
    low = max(float(strip.across_mm[0]), float(field.across_mm[0]))
    high = min(float(strip.across_mm[-1]), float(field.across_mm[-1]))
    return np.linspace(low, max(high, low + 1e-3), max(int((high - low) / 1.0), 2) + 1)
