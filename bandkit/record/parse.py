"""From the TOML file to a checked, frozen record."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

from bandkit.errors import RecordError
from bandkit.record import model
from bandkit.record._keys import KEYS
from bandkit.record._parse_density import density
from bandkit.record._parse_mass import bulk
from bandkit.record._parse_place import photograph, rectify, rulers
from bandkit.record._parse_stain import branches, colour, stains
from bandkit.record._parse_volume import volume, volume_scale
from bandkit.record._table import Table, show
from bandkit.record._toml import load_toml
from bandkit.record.model import Record
from bandkit.record.model_mass import Point

VERSION = 1
SCALES = ("bar", "ruler", "rectify", "mm_per_px", "source")
"""Ways to say what a pixel measures; a record has exactly one."""

_EARLIEST_COLLECTION = datetime.date(1700, 1, 1)
_EARLIEST_STAIN = datetime.date(1900, 1, 1)
_DEEPEST_SEA_M = 11_000.0
_FEWEST_CORNERS = 3

# An id is a folder's name on every system and a word in every table.
_ID = re.compile(r"[^\W_][\w. -]{0,62}[\w-]|[^\W_]")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_MONTH_DAY = re.compile(r"(\d\d)-(\d\d)")


def parse_record(text: str, path: str | Path, *, today: datetime.date | None = None) -> Record:
    """Check the text of a slab record; the image is not looked for.

    Parameters
    ----------
    text : str
        What the file says.
    path : path
        The file that it belongs to: the image is relative to its folder.
    today : datetime.date, optional
        Dates after it are in the future; the day of the computer's clock where absent.

    Returns
    -------
    Record
        The checked record.

    Raises
    ------
    RecordError
        One line with the file, the key, the value found and what to write instead.
        Entries of lists are counted from 1.
    """
    path = Path(path)
    values = load_toml(text, str(path))
    if not values:
        msg = f"{path}: record: missing, the file is empty; write record = {VERSION}, or use bandkit new IMAGE"
        raise RecordError(msg)
    top = Table(values, str(path))
    today = today or datetime.date.today()
    version = _version(top)
    specimen = _specimen(_section(top, "specimen"), today)
    tracks = _tracks(top)
    in_volume = "volume" in top
    image = _image(_section(top, "image"), path, in_volume=in_volume)
    return Record(
        path=path,
        version=version,
        specimen=specimen,
        image=image,
        scale=volume_scale(top.table("scale")) if in_volume else _scale(top),
        volume=volume(top.table("volume"), image),
        density=density(
            top.table("density"), path, hounsfield=image.values == "hounsfield", in_volume=in_volume
        ),
        bulk=bulk(top.table("bulk"), [track.name for track in tracks]),
        photograph=photograph(top, path),
        colour=colour(top.table("colour")),
        branches=branches(top, [track.name for track in tracks]),
        dating=_dating(top.table("dating")),
        tracks=tracks,
        stains=stains(top, specimen.collected, today),
        readings=_readings(top, tracks, today),
        masks=tuple(_mask(table) for table in top.tables("mask")),
        gaps=tuple(_gap(table, tracks) for table in top.tables("gap")),
        events=tuple(_event(table, tracks) for table in top.tables("event")),
        text=text,
    )


def _version(top: Table) -> int:
    """The version of the layout."""
    version = top.values.get("record")
    if version is None:
        top.fail("record", f"missing; write record = {VERSION} as the first line")
    if version != VERSION or type(version) is not int:
        top.reject("record", "a layout that this version of bandkit does not know")
    return VERSION


def _section(top: Table, key: str) -> Table:
    """A table that must be there."""
    return top.need(top.table, key)


def _specimen(table: Table, today: datetime.date) -> model.Specimen:
    """The [specimen] table."""
    return model.Specimen(
        id=_specimen_id(table),
        taxon=table.text("taxon") or "",
        site=table.text("site") or "",
        colony=_name(table, "colony"),
        core=_name(table, "core"),
        latitude_deg=table.number("latitude_deg", least=-90.0, most=90.0),
        # Both customs of counting longitude are in use: -180 to 180 and 0 to 360.
        longitude_deg=table.number("longitude_deg", least=-180.0, most=360.0),
        depth_m=table.number("depth_m", least=0.0, most=_DEEPEST_SEA_M),
        collected=table.date("collected", first=_EARLIEST_COLLECTION, last=today),
        top_alive=table.flag("top_alive"),
    )


def _specimen_id(table: Table) -> str:
    """An id that every system takes as a folder's name."""
    name = table.need(table.text, "id")
    if not _ID.fullmatch(name):
        problem = "must be 1 to 64 letters, digits, spaces, . _ - (first a letter or digit, last no . or space)"
        table.reject("id", problem)
    if _RESERVED.fullmatch(name):
        table.reject("id", "a name that Windows keeps for itself")
    return name


def _name(table: Table, key: str) -> str:
    """What a colony or core is called; empty where the record does not say."""
    name = table.text(key)
    if name is not None and not name.strip():
        table.reject(key, "empty")
    return (name or "").strip()


def _image(table: Table, record_path: Path, *, in_volume: bool) -> model.ImageSpec:
    """The [image] table."""
    file = table.need(table.text, "file")
    if not file.strip():
        table.reject("file", "empty")
    kind = table.need(table.choice, "kind", options=model.KINDS)
    dense = table.choice("dense", model.DENSE)
    values = table.choice("values", model.VALUES) or ("hounsfield" if in_volume and kind == "ct" else "intensity")
    if values == "hounsfield" and kind != "ct":
        table.reject("values", f'only kind = "ct" has them, not "{kind}"', 'write "intensity"')
    if values == "hounsfield" and dense == "dark":
        table.reject("dense", "Hounsfield values rise with density", 'write dense = "bright"')
    try:
        path = (record_path.parent / file).resolve()
    except (OSError, RuntimeError) as error:
        table.reject("file", f"cannot be followed ({error})")
    return model.ImageSpec(file=file, path=path, kind=kind, dense=dense, values=values)


def _scale(top: Table) -> model.ScaleSpec:
    """The [scale] table: exactly one way to say it."""
    table = top.table("scale")
    if table is None:
        top.fail("scale", f"missing; write [scale] with bar = {KEYS['scale']['bar']}", reason="no-scale")
    given = [key for key in SCALES if key in table]
    if not given:
        msg = f"{table.source}: scale: no scale; write one of {', '.join(SCALES)}: bar = {KEYS['scale']['bar']}"
        raise RecordError(msg, reason="no-scale")
    if len(given) > 1:
        listed = " and ".join(f"{key} = {show(table.values[key])}" for key in given)
        msg = f"{table.source}: scale: more than one scale, {listed}; keep exactly one of them"
        raise RecordError(msg, reason="two-scales")
    return model.ScaleSpec(
        bar=_bar(table.table("bar")),
        mm_per_px=_mm_per_px(table),
        from_file=table.choice("source", ("file",)) is not None,
        sd_frac=table.number("sd_frac", least=0.0, most=0.5),
        source_to_detector_mm=table.number("source_to_detector_mm", above=0.0),
        slab_to_detector_mm=_slab_to_detector(table),
        rulers=rulers(table),
        rectify=rectify(table),
    )


def _mm_per_px(table: Table) -> tuple[float, float] | None:
    """One number for both directions, or [x, y]."""
    value = table.values.get("mm_per_px")
    if not isinstance(value, list):
        both = table.number("mm_per_px", above=0.0)
        return None if both is None else (both, both)
    # A pair of numbers reads like a position; only its limits differ.
    x, y = table.need(table.point, "mm_per_px")
    if x <= 0 or y <= 0:
        table.reject("mm_per_px", "must be above 0")
    return x, y


def _slab_to_detector(table: Table) -> float | None:
    """Height of the slab over the detector, below that of the source."""
    height = table.number("slab_to_detector_mm", least=0.0)
    source = table.number("source_to_detector_mm", above=0.0)
    if height is not None and source is not None and height >= source:
        remedy = "correct one of them"
        table.reject("slab_to_detector_mm", f"must be below source_to_detector_mm = {show(source)}", remedy)
    return height


def _bar(table: Table | None) -> model.BarSpec | None:
    """The scale bar: both ends, or a box to look in, or neither."""
    if table is None:
        return None
    start, end, within = table.point("from_px"), table.point("to_px"), table.box("within_px")
    if (start is None) != (end is None):
        table.fail("to_px" if end is None else "from_px", "missing; give both ends of the bar, or neither")
    if start is not None and start == end:
        table.reject("to_px", "the same place as from_px", "give the two ends of the bar")
    if start is not None and within is not None:
        table.reject("within_px", "given beside the bar's ends", "delete it, or delete from_px and to_px")
    return model.BarSpec(
        length_mm=table.need(table.number, "length_mm", above=0.0), from_px=start, to_px=end, within_px=within
    )


def _dating(table: Table | None) -> model.DatingSpec:
    """The [dating] table; all unknown where absent."""
    if table is None:
        return model.DatingSpec()
    return model.DatingSpec(
        mark=table.choice("mark", model.MARKS),
        mark_date=_month_day(table),
        spacing_mm=table.number("spacing_mm", above=0.0),
    )


def _month_day(table: Table) -> tuple[int, int] | None:
    """A day that every year has."""
    text = table.text("mark_date")
    if text is None:
        return None
    match = _MONTH_DAY.fullmatch(text)
    if match is None:
        table.reject("mark_date", "not a month and day, two digits each")
    month, day = int(match[1]), int(match[2])
    try:
        # 2001 has no leap day: a mark stands for a day that every year has.
        datetime.date(2001, month, day)
    except ValueError:
        table.reject("mark_date", "not a day of every year, written month-day")
    return month, day


def _tracks(top: Table) -> tuple[model.TrackSpec, ...]:
    """The [[track]] entries, each of its own name."""
    tracks: list[model.TrackSpec] = []
    for table in top.tables("track"):
        track = _track(table)
        if any(track.name == other.name for other in tracks):
            table.reject("name", "the name of an earlier track", "give every track its own name")
        tracks.append(track)
    return tuple(tracks)


def _track(table: Table) -> model.TrackSpec:
    """One track of at least two different points."""
    name = table.need(table.text, "name")
    if name != name.strip() or not name:
        table.reject("name", "empty, or with blanks at its ends")
    points = table.need(table.points, "points_px")
    if len(points) < 2:
        table.reject("points_px", "a track needs at least two points, from outside the surface inwards")
    for number, (point, following) in enumerate(pairwise(points), 1):
        if point == following:
            problem = f"points {number} and {number + 1} are the same, {show(point)}"
            table.reject("points_px", problem, "delete one of them")
    for number, (before, at, after) in enumerate(zip(points, points[1:], points[2:], strict=False), 2):
        if _turns_back(before, at, after):
            problem = f"the track turns back at point {number}, {show(at)}"
            table.reject("points_px", problem, "order the points from outside the surface inwards")
    return model.TrackSpec(
        name=name,
        points_px=points,
        width_mm=table.number("width_mm", above=0.0),
        follow_mm=table.number("follow_mm", above=0.0),
    )


def _turns_back(before: Point, at: Point, after: Point) -> bool:
    """Whether three points turn by more than a right angle: the same skeleton would be measured twice."""
    return (at[0] - before[0]) * (after[0] - at[0]) + (at[1] - before[1]) * (after[1] - at[1]) < 0


def _readings(
    top: Table, tracks: tuple[model.TrackSpec, ...], today: datetime.date
) -> tuple[model.ReadingSpec, ...]:
    """The [[reading]] entries."""
    return tuple(
        model.ReadingSpec(
            track=_track_name(table, tracks),
            reader=table.need(table.text, "reader"),
            read_on=table.date("read_on", first=_EARLIEST_STAIN, last=today),
            blind=table.flag("blind") or False,
            marks=tuple(_reading_mark(entry) for entry in table.tables("marks")),
            role=table.choice("role", model.ROLES) or "all",
        )
        for table in top.tables("reading")
    )


def _reading_mark(table: Table) -> model.ReadingMark:
    """One mark of a reading."""
    at_px = table.need(table.point, "at_px")
    return model.ReadingMark(at_px=at_px, certainty=table.choice("certainty", model.CERTAINTIES) or "certain")


def _mask(table: Table) -> model.MaskSpec:
    """One mask with an area."""
    corners = table.need(table.points, "polygon_px")
    if len(corners) < _FEWEST_CORNERS:
        table.reject("polygon_px", "a mask needs at least three corners")
    if _area_px2(corners) == 0:
        table.reject("polygon_px", "the corners enclose no area", "draw round an area")
    return model.MaskSpec(polygon_px=corners, why=table.text("why") or "")


def _gap(table: Table, tracks: tuple[model.TrackSpec, ...]) -> model.GapSpec:
    """One gap across a track."""
    start, end = table.need(table.point, "from_px"), table.need(table.point, "to_px")
    if start == end:
        table.reject("to_px", "the same place as from_px", "give where the gap begins and ends")
    years = table.need(table.years, "years")
    return model.GapSpec(track=_track_name(table, tracks), from_px=start, to_px=end, years=years)


def _event(table: Table, tracks: tuple[model.TrackSpec, ...]) -> model.EventSpec:
    """One band that is no year of its own."""
    return model.EventSpec(
        track=_track_name(table, tracks),
        at_px=table.need(table.point, "at_px"),
        kind=table.need(table.choice, "kind", options=model.EVENT_KINDS),
        note=table.text("note") or "",
    )


def _track_name(table: Table, tracks: Iterable[model.TrackSpec]) -> str:
    """The name of a track that the record has."""
    name = table.need(table.text, "track")
    names = [track.name for track in tracks]
    if name not in names:
        remedy = f"write one of {', '.join(map(show, names))}" if names else "add it as [[track]]"
        table.reject("track", "no track of that name", remedy)
    return name


def _area_px2(corners: tuple[Point, ...]) -> float:
    """Area inside a polygon, by the shoelace formula; the sign of turning is left out."""
    rolled = (*corners[1:], corners[0])
    return abs(math.fsum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(corners, rolled, strict=True))) / 2
