"""``result.json`` gives back what was written."""

from __future__ import annotations

import dataclasses
import datetime
import json
from pathlib import Path

import numpy as np
import pytest
from factories import make_result, make_stained
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from bandkit.errors import InputError
from bandkit.output import read_result, write_slab
from bandkit.output.document import result_text
from bandkit.results import CalibrationResult, ProfileTable, SlabResult, Table

TABLES = ("growth", "marks", "events", "stains", "tracks", "profile", "chronologies")


def assert_same_table(one: Table, other: Table) -> None:
    assert type(one) is type(other)
    for name in one.column_names():
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


def assert_same_calibration(one: CalibrationResult, other: CalibrationResult) -> None:
    for field in dataclasses.fields(one):
        mine, theirs = getattr(one, field.name), getattr(other, field.name)
        if isinstance(mine, tuple | str):
            assert mine == theirs
        elif field.name == "parameters":
            np.testing.assert_equal(dict(mine), dict(theirs))
        else:
            np.testing.assert_array_equal(mine, theirs)


def written(result: SlabResult, tmp_path: Path) -> SlabResult:
    path = tmp_path / "result.json"
    path.write_text(result_text(result), encoding="utf-8")
    return read_result(path)


@pytest.mark.parametrize(
    "result", [make_result(track_names=("A", "B")), make_stained()], ids=["radiograph", "photograph"]
)
def test_round_trip_is_exact_but_for_the_picture(result: SlabResult, tmp_path: Path) -> None:
    back = written(result, tmp_path)
    for name in TABLES:
        assert_same_table(result.table(name), back.table(name))
    assert back.flags == result.flags
    assert back.methods == result.methods
    assert (back.picture, back.picture_step_px) == (None, result.picture_step_px)
    for name in ("specimen", "image", "scale", "settings", "provenance"):
        assert getattr(back, name) == getattr(result, name)
    for mine, theirs in zip(result.lines, back.lines, strict=True):
        assert (mine.track, mine.role, mine.label, mine.certainty) == (
            theirs.track,
            theirs.role,
            theirs.label,
            theirs.certainty,
        )
        np.testing.assert_array_equal(mine.x_px, theirs.x_px)
        np.testing.assert_array_equal(mine.y_px, theirs.y_px)
    assert set(back.chronologies) == set(result.chronologies)
    for track, draws in result.chronologies.items():
        assert back.chronologies[track].floating == draws.floating
        for mine, theirs in zip(draws, back.chronologies[track], strict=True):
            np.testing.assert_array_equal(mine[0], theirs[0])
            np.testing.assert_array_equal(mine[1], theirs[1])
    assert set(back.errors) == set(result.errors)
    for track, errors in result.errors.items():
        for field in dataclasses.fields(errors):
            np.testing.assert_array_equal(getattr(errors, field.name), getattr(back.errors[track], field.name))
    if result.calibration is None:
        assert back.calibration is None
    else:
        assert back.calibration is not None
        assert_same_calibration(result.calibration, back.calibration)
    assert result_text(back) == result_text(result)


@given(arrays(np.float64, st.integers(0, 12), elements=st.floats(allow_infinity=False, width=64)))
@settings(deadline=None, max_examples=60)
def test_any_float_comes_back_to_the_last_bit(values: np.ndarray) -> None:
    n = len(values)
    profile = ProfileTable(
        track=["A"] * n, depth_mm=values, x_px=values, y_px=values, value=values, density_g_cm3=values
    )
    document = json.loads(result_text(make_result(profile=profile)))
    back = [np.nan if v is None else v for v in document["tables"]["profile"]["value"]]
    np.testing.assert_array_equal(np.array(back, dtype=float), values)


def test_text_is_strict_json_with_sorted_keys_and_one_line_per_array() -> None:
    text = result_text(make_result())

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    document = json.loads(text, parse_constant=refuse)
    assert list(document) == sorted(document)
    assert document["layout"] == 2
    assert document["tables"]["growth"]["year"][0] == 2019
    assert document["tables"]["growth"]["density_g_cm3"][0] is None
    assert '      "year": [2019, 2018, 2017, 2016],\n' in text
    assert text.endswith("}\n")


def test_plain_values_in_mappings() -> None:
    settings_given = {
        "numpy": np.float64(0.5),
        "whole": np.int64(3),
        "day": datetime.date(2019, 6, 15),
        "nothing": float("nan"),
        "box": (1, 2),
        "path": Path("a") / "b.tif",
        "deep": {"on": np.bool_(True)},
    }
    document = json.loads(result_text(make_result(settings=settings_given)))
    assert document["settings"] == {
        "numpy": 0.5,
        "whole": 3,
        "day": "2019-06-15",
        "nothing": None,
        "box": [1, 2],
        "path": str(Path("a") / "b.tif"),
        "deep": {"on": True},
    }


def test_a_folder_may_be_given(tmp_path: Path) -> None:
    folder = write_slab(make_result(), tmp_path)
    assert read_result(folder).specimen["id"] == "TB-07"


def change(result: SlabResult, path: list[str], value: object) -> str:
    document = json.loads(result_text(result))
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return json.dumps(document)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "cannot be read as a result"),
        ('{"format": ', "cannot be read as a result"),
        ("[" * 100_000, "cannot be read as a result"),
        ("[1, 2]", 'format: is not "bandkit result"'),
        ('{"format": "other"}', 'format: is not "bandkit result"'),
        (change(make_result(), ["layout"], 99), "layout: 99 cannot be read, this version reads 2"),
        (change(make_result(), ["tables", "growth", "year"], [1]), "damaged .*equal length"),
        (change(make_result(), ["tables", "growth"], {}), "damaged .*GrowthTable: columns"),
        (change(make_result(), ["flags"], [{"code": "no-such-code"}]), "damaged .*no-such-code"),
        (change(make_result(), ["lines"], 3), "damaged"),
        (change(make_result(), ["tables", "marks", "depth_mm"], ["x"] * 4), "damaged"),
    ],
)
def test_damage_is_named(content: str, message: str, tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=message) as caught:
        read_result(path)
    assert str(caught.value).startswith(str(path))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.json: cannot be read as a result"):
        read_result(tmp_path / "nowhere.json")


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="cannot be read as a result"):
        read_result(path)
