"""Rulers, four corners and landmarks: from their tables to checked specs."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

from bandkit.record._table import Table, show
from bandkit.record.model_place import FITS, LandmarkSpec, PhotographSpec, Point, RectifySpec, RulerSpec

_MOST_RULERS = 2
_CORNERS = 4
_FEWEST_LANDMARKS = 3
_COARSEST_TICKS_MM = 100.0


def rulers(table: Table) -> tuple[RulerSpec, ...]:
    """One ruler, or two at right angles.

    Parameters
    ----------
    table : Table
        The [scale] table.

    Returns
    -------
    tuple of RulerSpec
        Empty where none is given.
    """
    if not isinstance(table.values.get("ruler"), list):
        one = table.table("ruler")
        return () if one is None else (_ruler(one),)
    entries = table.tables("ruler")
    if not 1 <= len(entries) <= _MOST_RULERS:
        table.reject("ruler", "must be one ruler, or a list of two at right angles")
    return tuple(_ruler(entry) for entry in entries)


def _ruler(table: Table) -> RulerSpec:
    """A ruler: two places on its ticks, or a box to look in, or neither."""
    start, end, within = table.point("from_px"), table.point("to_px"), table.box("within_px")
    if (start is None) != (end is None):
        table.fail("to_px" if end is None else "from_px", "missing; give two places on the ticks, or neither")
    if start is not None and start == end:
        table.reject("to_px", "the same place as from_px", "give two places far apart on the row of ticks")
    if start is not None and within is not None:
        table.reject("within_px", "given beside two places on the ticks", "delete it, or delete from_px and to_px")
    tick_mm = table.number("tick_mm", above=0.0, most=_COARSEST_TICKS_MM)
    return RulerSpec(from_px=start, to_px=end, within_px=within, tick_mm=tick_mm)


def rectify(table: Table) -> RectifySpec | None:
    """Four corners of a rectangle of known size.

    Parameters
    ----------
    table : Table
        The [scale] table.

    Returns
    -------
    RectifySpec or None
        None where not given.
    """
    entry = table.table("rectify")
    if entry is None:
        return None
    corners = entry.need(entry.points, "corners_px")
    if len(corners) != _CORNERS:
        entry.reject("corners_px", f"must be four corners, not {len(corners)}")
    a, b, c, d = corners
    if not _goes_round(corners):
        problem = "the corners do not go round a rectangle: lines between them cross, or three lie on one line"
        entry.reject("corners_px", problem, "give them in order, round the rectangle")
    return RectifySpec(
        corners_px=(a, b, c, d),
        width_mm=entry.need(entry.number, "width_mm", above=0.0),
        height_mm=entry.need(entry.number, "height_mm", above=0.0),
    )


def _goes_round(corners: tuple[Point, ...]) -> bool:
    """Whether a polygon turns the same way at every corner."""
    turns = []
    for i in range(len(corners)):
        (ax, ay), (bx, by), (cx, cy) = corners[i - 2], corners[i - 1], corners[i]
        turns.append((bx - ax) * (cy - by) - (by - ay) * (cx - bx))
    return min(turns) > 0 or max(turns) < 0


def photograph(top: Table, record_path: Path) -> PhotographSpec | None:
    """The [photograph] table.

    Parameters
    ----------
    top : Table
        The whole record.
    record_path : Path
        Its file: the photograph's record is relative to its folder.

    Returns
    -------
    PhotographSpec or None
        None where not given.
    """
    table = top.table("photograph")
    if table is None:
        return None
    name = table.need(table.text, "record")
    if not name.strip():
        table.reject("record", "empty")
    path = (record_path.parent / name).resolve()
    if path == record_path.resolve():
        table.reject("record", "this record itself", "name the record of the photograph")
    return PhotographSpec(record=name, path=path, landmarks=_landmarks(table), fit=table.choice("fit", FITS) or FITS[0])


def _landmarks(table: Table) -> tuple[LandmarkSpec, ...]:
    """At least three places, each once."""
    entries = table.tables("landmarks")
    if len(entries) < _FEWEST_LANDMARKS:
        problem = f"{len(entries)} given; at least {_FEWEST_LANDMARKS} are needed, and more show what they are off by"
        table.fail("landmarks", problem)
    landmarks = tuple(
        LandmarkSpec(here_px=entry.need(entry.point, "here_px"), there_px=entry.need(entry.point, "there_px"))
        for entry in entries
    )
    for one, other in combinations(landmarks, 2):
        for key in ("here_px", "there_px"):
            if getattr(one, key) == getattr(other, key):
                problem = f"two landmarks have the same {key}, {show(list(getattr(one, key)))}; correct one of them"
                table.fail("landmarks", problem)
    return landmarks
