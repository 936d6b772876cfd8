"""What holds for every record: no junk gets past as anything but a RecordError, no writing loses anything."""

from __future__ import annotations

import contextlib
import copy
import datetime
import math
import tomllib
from pathlib import Path

import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from record_texts import FULL, SMALL

from bandkit.errors import RecordError
from bandkit.record import Record, RecordFile, StandardSpec, check_record, parse_record, record_values, to_plain
from bandkit.record import model as m
from bandkit.record._keys import KEYS

PATH = Path("/slabs/TB-07.toml")
FEW = settings(deadline=None, max_examples=50)

# -- junk ------------------------------------------------------------------------------

ALL_KEYS = sorted({key for keys in KEYS.values() for key in keys})
scalars = st.one_of(
    st.integers(),
    st.floats(),
    st.booleans(),
    st.text(max_size=8),
    st.dates(),
    st.times(),
    st.datetimes(),
    st.sampled_from(["radiograph", "bright", "file", "A", "09-12", "aragonite", "density maximum"]),
)
junk = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(ALL_KEYS), inner, max_size=4),
    max_leaves=12,
)


def parsed_or_refused(text: str) -> None:
    refusal = None
    try:
        check_record(parse_record(text, PATH))
    except RecordError as error:
        refusal = str(error)
    if refusal is not None:
        assert refusal.startswith(f"{PATH}: ")
        assert "\n" not in refusal
        assert len(refusal) < 700


@FEW
@given(st.text(max_size=200))
def test_any_text_is_refused_in_one_line(text):
    parsed_or_refused(text)


@FEW
@given(st.integers(0, len(FULL)), st.integers(0, 60), st.text(alphabet='[]{}=",.#\n-0a\'\\', max_size=6))
def test_a_full_record_with_a_piece_torn_out(start, length, patch):
    parsed_or_refused(FULL[:start] + patch + FULL[start + length :])


@settings(deadline=None, max_examples=150)
@given(st.data())
def test_any_value_in_any_place_is_taken_or_refused_in_one_line(data):
    values = tomllib.loads(FULL)
    places = [(), *places_in(values)]
    *way, last = data.draw(st.sampled_from(places[1:]))
    parent = at(values, way)
    parent[last] = data.draw(junk)
    parsed_or_refused(tomlkit.dumps(values))


def places_in(values, way=()):
    """Every way to a value inside nested tables and lists."""
    pairs = values.items() if isinstance(values, dict) else enumerate(values) if isinstance(values, list) else ()
    for key, inner in pairs:
        yield (*way, key)
        yield from places_in(inner, (*way, key))


def at(values, way):
    for key in way:
        values = values[key]
    return values


# -- record -> file -> record ------------------------------------------------------------

line = st.text(st.characters(exclude_categories=("C", "Z")), max_size=12)
word = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12)
place = st.tuples(*[st.floats(-1e4, 1e4)] * 2)
size = st.floats(1e-3, 1e3)
days = st.dates(datetime.date(1950, 1, 1), datetime.date(2020, 1, 1))
boxes = st.tuples(place, st.tuples(size, size)).map(lambda b: (*b[0], b[0][0] + b[1][0], b[0][1] + b[1][1]))
lines_px = st.lists(place, min_size=2, max_size=6, unique=True).map(tuple)
# A track never turns back: x and y only grow.
tracks_px = lines_px.map(lambda points: tuple(dict.fromkeys(zip(*map(sorted, zip(*points, strict=True)), strict=True))))
maybe = st.one_of(st.none(), size)

standards = st.builds(StandardSpec, box_px=boxes, material=word, thickness_mm=size, density_g_cm3=st.none() | st.floats(0.5, 22))
densities = st.builds(
    m.DensitySpec,
    slab_thickness_mm=maybe,
    slab_thickness_sd_mm=maybe,
    standards=st.lists(standards, max_size=3).map(tuple),
    effective_kev=st.none() | st.floats(1, 1000),
    open_beam_px=st.lists(boxes, max_size=2).map(tuple),
    bars_px=st.lists(boxes, max_size=2).map(tuple),
    strontium_wt_pct=st.none() | st.floats(0, 5),
)
scales = st.one_of(
    st.builds(m.ScaleSpec, mm_per_px=st.tuples(size, size), sd_frac=st.none() | st.floats(0, 0.5)),
    st.just(m.ScaleSpec(from_file=True)),
    st.builds(m.BarSpec, length_mm=size, within_px=st.none() | boxes).map(lambda bar: m.ScaleSpec(bar=bar)),
    lines_px.map(lambda p: m.ScaleSpec(bar=m.BarSpec(length_mm=5.0, from_px=p[0], to_px=p[1]))),
)
datings = st.builds(
    m.DatingSpec,
    mark=st.none() | st.sampled_from(m.MARKS),
    mark_date=st.none() | st.dates(datetime.date(2001, 1, 1), datetime.date(2001, 12, 31)).map(lambda d: (d.month, d.day)),
    spacing_mm=maybe,
)
specimens = st.builds(
    m.Specimen,
    id=st.from_regex(r"[a-z][a-z0-9 ._-]{0,20}[0-9]", fullmatch=True).filter(lambda name: name[:3] not in ("com", "lpt")),
    taxon=line,
    site=line,
    colony=st.just("") | st.from_regex(r"[a-z][a-z0-9 -]{0,10}[0-9]", fullmatch=True),
    core=st.just("") | st.from_regex(r"[a-z][a-z0-9 -]{0,10}[0-9]", fullmatch=True),
    latitude_deg=st.none() | st.floats(-90, 90),
    longitude_deg=st.none() | st.floats(-180, 360),
    depth_m=st.none() | st.floats(0, 11000),
    collected=st.none() | st.just(datetime.date(2020, 6, 15)),
    top_alive=st.none() | st.booleans(),
)


@st.composite
def records(draw) -> Record:
    names = draw(st.lists(word, min_size=1, max_size=3, unique=True))
    track_name = st.sampled_from(names)
    marks = st.builds(m.ReadingMark, at_px=place, certainty=st.sampled_from(m.CERTAINTIES))
    reading = st.builds(
        m.ReadingSpec,
        track=track_name,
        reader=word,
        read_on=st.none() | days,
        blind=st.booleans(),
        marks=st.lists(marks, max_size=4).map(tuple),
        role=st.sampled_from(m.ROLES),
    )
    event = st.builds(m.EventSpec, track=track_name, at_px=place, kind=st.sampled_from(m.EVENT_KINDS), note=line)
    gap = lines_px.flatmap(
        lambda p: st.builds(m.GapSpec, track=track_name, from_px=st.just(p[0]), to_px=st.just(p[1]), years=st.just((1, 3)))
    )
    stain = st.builds(m.StainSpec, date=days, dye=line, at_px=st.none() | place)
    return Record(
        path=PATH,
        version=1,
        specimen=draw(specimens),
        image=m.ImageSpec(file="a.tif", path=PATH.parent.resolve() / "a.tif", kind="radiograph", dense=draw(st.sampled_from([None, "dark"]))),
        scale=draw(scales),
        density=draw(st.none() | densities),
        dating=draw(datings),
        tracks=tuple(m.TrackSpec(name=name, points_px=draw(tracks_px), width_mm=draw(maybe)) for name in names),
        stains=tuple(draw(st.lists(stain, max_size=2, unique_by=lambda s: s.date))),
        readings=tuple(draw(st.lists(reading, max_size=2))),
        masks=tuple(m.MaskSpec(polygon_px=((x, y), (x + 2, y), (x, y + 2)), why="boring") for x, y in draw(st.lists(place, max_size=2))),
        gaps=tuple(draw(st.lists(gap, max_size=2))),
        events=tuple(draw(st.lists(event, max_size=2))),
    )


@FEW
@given(records())
def test_a_record_survives_its_file(record):
    written = parse_record(tomlkit.dumps(record_values(record)), PATH)
    assert written == record
    assert to_plain(written) == to_plain(record)


@settings(deadline=None, max_examples=25)
@given(records())
def test_a_record_survives_being_written_key_by_key(record):
    file = RecordFile(PATH, SMALL, None)
    file.delete(("scale", "mm_per_px"))
    for name, values in record_values(record).items():
        if isinstance(values, list):
            for entry in values:
                file.append(name, entry)
        else:
            file.set((name,), values)
    assert file.record() == record


# -- a person's comments -------------------------------------------------------------------


def comments_in(text: str) -> list[str]:
    return sorted(part.partition("#")[2] for part in text.splitlines() if "#" in part)


numbers = st.floats(allow_nan=False, allow_infinity=False)
rows = st.lists(st.lists(numbers, min_size=2, max_size=2), min_size=1, max_size=5)
edits = st.one_of(
    st.tuples(st.just(("specimen", "depth_m")), numbers),
    st.tuples(st.just(("specimen", "site")), st.text(st.characters(exclude_characters="#", exclude_categories=("Cs",)), max_size=8)),
    st.tuples(st.just(("scale", "sd_frac")), numbers),
    st.tuples(st.just(("scale", "bar")), st.fixed_dictionaries({"length_mm": numbers})),
    st.tuples(st.just(("dating",)), st.fixed_dictionaries({"mark_date": st.just("01-02")})),
    st.tuples(st.just(("density", "open_beam_px")), rows),
    st.tuples(st.just(("density", "standards", 1)), st.fixed_dictionaries({"thickness_mm": numbers, "material": st.just("x")})),
    st.tuples(st.just(("track", 1, "points_px")), rows),
    st.tuples(st.just(("track", 0, "points_px", 0)), st.lists(numbers, min_size=1, max_size=3)),
    st.tuples(st.just(("track", 1, "follow_mm")), numbers),
    st.tuples(st.just(("reading", 0, "marks")), st.lists(st.fixed_dictionaries({"at_px": rows.map(lambda r: r[0])}), min_size=1, max_size=4)),
    st.tuples(st.just("append"), st.sampled_from(["track", "stain", "gap", "mask"])),
    st.tuples(st.just("delete"), st.sampled_from([("mask", 0), ("track", 1), ("stain", 0), ("specimen", "taxon"), ("density", "effective_kev")])),
)  # fmt: skip


@settings(deadline=None, max_examples=40)
@given(st.lists(edits, max_size=8), st.booleans())
def test_comments_survive_any_editing(steps, windows):
    file = RecordFile(PATH, FULL.replace("\n", "\r\n") if windows else FULL, None)
    expected = tomllib.loads(FULL)
    for way, value in steps:
        # An entry that an earlier step has deleted cannot be set: nothing may change then.
        with contextlib.suppress(RecordError):
            apply(file, way, value)
            apply_plainly(expected, way, value)
    assert equal(tomllib.loads(file.text), expected)
    assert comments_in(file.text) == comments_in(FULL)
    assert file.text.count("\r\n") == (file.text.count("\n") if windows else 0)


def apply(file: RecordFile, way, value) -> None:
    if way == "append":
        file.append(value, {"note": 1})
    elif way == "delete":
        file.delete(value)
    else:
        file.set(way, value)


def apply_plainly(values, way, value) -> None:
    """The same change to plain dictionaries and lists."""
    if way == "append":
        values.setdefault(value, []).append({"note": 1})
    elif way == "delete":
        with contextlib.suppress(KeyError, IndexError):
            del at(values, value[:-1])[value[-1]]
            if at(values, value[:-1]) == []:
                del values[value[0]]
    else:
        at(values, way[:-1])[way[-1]] = copy.deepcopy(value)


def equal(a, b) -> bool:
    """Equality that tells no 0.0 from -0.0 and no 1 from 1.0, as TOML readers do not."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(equal(a[key], b[key]) for key in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(map(equal, a, b))
    return math.isclose(a, b, rel_tol=0) if isinstance(a, float) else a == b
