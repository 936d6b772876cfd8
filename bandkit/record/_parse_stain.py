"""Stainings, colour and branches: from their tables to checked specs."""

from __future__ import annotations

import datetime
from collections.abc import Iterable

from bandkit.record._table import Table
from bandkit.record.model_stain import ENCODINGS, BranchSpec, ColourSpec, StainSpec

# Alizarin was used on corals from the 1930s on.
_EARLIEST_STAIN = datetime.date(1900, 1, 1)
# A colony that needs longer than this to recover is not measured by days.
_MOST_EXCLUDED_DAYS = 366.0


def stains(top: Table, collected: datetime.date | None, today: datetime.date) -> tuple[StainSpec, ...]:
    """The [[stain]] entries, all before the collection.

    Parameters
    ----------
    top : Table
        The whole record.
    collected : datetime.date or None
        Date of collection.
    today : datetime.date
        No staining is later.

    Returns
    -------
    tuple of StainSpec
        In the order of the record.
    """
    found: list[StainSpec] = []
    for table in top.tables("stain"):
        day = table.need(table.date, "date", first=_EARLIEST_STAIN, last=today)
        if collected is not None and day >= collected:
            problem = f"not before the collection, specimen.collected = {collected}"
            table.reject("date", problem, "correct one of the two dates")
        excluded = table.number("days_excluded", least=0.0, most=_MOST_EXCLUDED_DAYS)
        if excluded is not None and collected is not None and excluded >= (collected - day).days:
            days = (collected - day).days
            table.reject("days_excluded", f"not less than the {days} days from the staining to the collection")
        stain = StainSpec(date=day, dye=table.text("dye") or "", at_px=table.point("at_px"), days_excluded=excluded)
        if any((stain.date, stain.dye) == (other.date, other.dye) for other in found):
            table.reject("date", "this staining is given twice", "delete one [[stain]]")
        found.append(stain)
    return tuple(found)


def colour(table: Table | None) -> ColourSpec:
    """The [colour] table; plain sRGB where absent.

    Parameters
    ----------
    table : Table or None
        The table.

    Returns
    -------
    ColourSpec
        Boxes of dye and of clean skeleton, both or neither.
    """
    if table is None:
        return ColourSpec()
    dye, clean = table.box("dye_px"), table.box("clean_px")
    if (dye is None) != (clean is None):
        missing = "dye_px" if dye is None else "clean_px"
        table.fail(missing, "missing; give dye_px and clean_px, side by side, or neither")
    return ColourSpec(encoding=table.choice("encoding", ENCODINGS) or "srgb", dye_px=dye, clean_px=clean)


def branches(top: Table, tracks: Iterable[str]) -> tuple[BranchSpec, ...]:
    """The [[branch]] entries, each of its own name.

    Parameters
    ----------
    top : Table
        The whole record.
    tracks : iterable of str
        Names of its tracks.

    Returns
    -------
    tuple of BranchSpec
        In the order of the record.
    """
    found: list[BranchSpec] = []
    for table in top.tables("branch"):
        name = table.need(table.text, "name")
        if name != name.strip() or not name:
            table.reject("name", "empty, or with blanks at its ends")
        if any(name == other.name for other in found) or name in tracks:
            table.reject("name", "the name of another branch or track", "give every branch its own name")
        points = table.need(table.points, "points_px")
        if len(set(points)) < 2:
            table.reject("points_px", "a branch needs at least two different points, from beyond its tip inwards")
        found.append(BranchSpec(name=name, points_px=points, colony=table.text("colony") or "",
                                broken=table.flag("broken") or False))
    return tuple(found)
