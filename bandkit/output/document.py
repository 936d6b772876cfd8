"""``result.json``: everything that was measured on one slab, to be read back exactly.

Keys are sorted, arrays stand on one line each, missing numbers are ``null``, and
nothing in it depends on the time of writing: the same measurement gives the same
bytes. The reduced picture is not kept; the image's hash says which image it was.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from bandkit.budget import BudgetTable, BulkCheck
from bandkit.errors import InputError
from bandkit.flags import Flag
from bandkit.results import (
    RESULT_LAYOUT,
    CalibrationResult,
    EventTable,
    GrowthTable,
    MarkTable,
    Polyline,
    ProfileTable,
    SlabResult,
    TrackTable,
)
from bandkit.stain_tables import BranchTable, ColonyTable, StainProfileTable, StainTable
from bandkit.table import Table
from bandkit.uncertainty import Chronologies, ExtensionErrors

RESULT_FILE = "result.json"
FORMAT_NAME = "bandkit result"

_TABLES: dict[str, type[Table]] = {
    "growth": GrowthTable,
    "marks": MarkTable,
    "events": EventTable,
    "stains": StainTable,
    "tracks": TrackTable,
    "profile": ProfileTable,
    "budget": BudgetTable,
    "stain_profile": StainProfileTable,
    "branches": BranchTable,
    "colonies": ColonyTable,
}
_MAPPINGS = ("specimen", "image", "scale", "settings", "provenance")


def result_text(result: SlabResult) -> str:
    """Write a result as JSON text.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    str
        JSON with sorted keys, ended by a line feed.

    Notes
    -----
    A number that is not finite is written as ``null``. In the free mappings
    (specimen, image, scale, settings, provenance) dates become ISO text, and tuples
    and arrays become lists.
    """
    document: dict[str, Any] = {
        "format": FORMAT_NAME,
        "layout": RESULT_LAYOUT,
        "tables": {name: _table_columns(getattr(result, name)) for name in _TABLES},
        "lines": [_plain_fields(line) for line in result.lines],
        "calibration": None if result.calibration is None else _plain_fields(result.calibration),
        "bulk": None if result.bulk is None else _plain_fields(result.bulk),
        "flags": [_plain_fields(flag) for flag in result.flags],
        "methods": list(result.methods),
        "chronologies": {track: _plain_fields(value) for track, value in result.chronologies.items()},
        "errors": {track: _plain_fields(value) for track, value in result.errors.items()},
        "picture_step_px": _plain(result.picture_step_px),
        **{name: _plain(getattr(result, name)) for name in _MAPPINGS},
    }
    return _render(document, "") + "\n"


def read_result(path: str | Path) -> SlabResult:
    """Read a result that `write_slab` has written.

    Parameters
    ----------
    path : path
        A ``result.json`` or the slab's folder.

    Returns
    -------
    SlabResult
        As it was written, without the picture.

    Raises
    ------
    InputError
        When the file is missing, damaged or of a newer layout.
    """
    path = Path(path)
    path = path / RESULT_FILE if path.is_dir() else path
    try:
        document = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError) as error:
        msg = f"{path}: cannot be read as a result ({error}); measure the slab again"
        raise InputError(msg) from error
    _check_layout(document, path)
    try:
        return _build(document)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        msg = f"{path}: a result, but damaged ({type(error).__name__}: {error}); measure the slab again"
        raise InputError(msg) from error


def _check_layout(document: Any, path: Path) -> None:
    """Say plainly what is wrong with a file that is not ours or is too new."""
    if not isinstance(document, dict) or document.get("format") != FORMAT_NAME:
        msg = f'{path}: format: is not "{FORMAT_NAME}"; give the {RESULT_FILE} of a measured slab'
        raise InputError(msg)
    layout = document.get("layout")
    if layout != RESULT_LAYOUT:
        msg = f"{path}: layout: {layout!r} cannot be read, this version reads {RESULT_LAYOUT}; measure the slab again"
        raise InputError(msg)


def _build(document: dict[str, Any]) -> SlabResult:
    """Put a result together from the parsed document."""
    calibration = document["calibration"]
    tables: dict[str, Any] = {name: _read_table(kind, document["tables"][name]) for name, kind in _TABLES.items()}
    return SlabResult(
        **{name: document[name] for name in _MAPPINGS},
        **tables,
        lines=tuple(
            Polyline(**{**line, "x_px": _array(line["x_px"]), "y_px": _array(line["y_px"])})
            for line in document["lines"]
        ),
        calibration=None if calibration is None else _read_calibration(calibration),
        bulk=None if document["bulk"] is None else _read_bulk(document["bulk"]),
        flags=tuple(Flag(**flag) for flag in document["flags"]),
        methods=tuple(document["methods"]),
        chronologies={track: _read_chronologies(value) for track, value in document["chronologies"].items()},
        errors={track: _read_errors(value) for track, value in document["errors"].items()},
        picture_step_px=document["picture_step_px"],
    )


def _read_table(kind: type[Table], columns: dict[str, list[Any]]) -> Table:
    """Build a table from its columns; null becomes NaN in number columns."""
    if sorted(columns) != sorted(kind.column_names()):
        unlike = sorted(set(columns) ^ set(kind.column_names()))
        msg = f"{kind.__name__}: columns {unlike} do not match"
        raise ValueError(msg)
    return kind(**{n: (v if n in kind.text_columns else _array(v)) for n, v in columns.items()})


def _read_chronologies(values: dict[str, Any]) -> Chronologies:
    """Build the chronologies of one track."""
    draws = {name: tuple(_array(draw) for draw in values[name]) for name in ("depth_mm", "year")}
    return Chronologies(**draws, floating=values["floating"])


def _read_errors(values: dict[str, Any]) -> ExtensionErrors:
    """Build the errors of one track."""
    return ExtensionErrors(
        year=_array(values["year"]),
        complete=np.array(values["complete"], dtype=np.bool_),
        picking_covariance_mm2_yr2=np.array([_array(row) for row in values["picking_covariance_mm2_yr2"]]),
        scale_sd_mm_yr=_array(values["scale_sd_mm_yr"]),
        tilt_sd_mm_yr=_array(values["tilt_sd_mm_yr"]),
    )


def _read_bulk(values: dict[str, Any]) -> BulkCheck:
    """Build the weighing; null becomes NaN."""
    given: dict[str, Any] = {name: math.nan if value is None else value for name, value in values.items()}
    return BulkCheck(**given)


def _read_calibration(values: dict[str, Any]) -> CalibrationResult:
    """Build the calibration from its fields."""
    changed: dict[str, Any] = {
        "labels": tuple(values["labels"]),
        "beam_residual_frac": float(_array([values["beam_residual_frac"]])[0]),
        "parameters": {name: float(_array([value])[0]) for name, value in values["parameters"].items()},
    }
    arrays = {n: _array(v) for n, v in values.items() if isinstance(v, list) and n != "labels"}
    return CalibrationResult(**{**values, **arrays, **changed})


def _array(values: list[Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Numbers as an array; null becomes NaN."""
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _table_columns(table: Table) -> dict[str, list[Any]]:
    """Columns as plain lists; whole numbers as such."""
    columns: dict[str, list[Any]] = {}
    for name in table.column_names():
        values = _plain(getattr(table, name))
        whole = name in table.integer_columns
        columns[name] = [int(v) if whole and v is not None and v.is_integer() else v for v in values]
    return columns


def _plain_fields(record: Any) -> dict[str, Any]:
    """Fields of a dataclass as plain values."""
    return {f.name: _plain(getattr(record, f.name)) for f in fields(record)}


def _plain(value: Any) -> Any:
    """Value made of what JSON knows: text, finite numbers, true, false, null, lists, mappings."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int | bool):
        return value
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [_plain(item) for item in items]
    if isinstance(value, datetime.date | datetime.datetime):
        return value.isoformat()
    return str(value)


def _render(value: Any, indent: str) -> str:
    """JSON text: mappings and lists of mappings or lists over several lines, plain lists on one."""
    inner = indent + "  "
    if isinstance(value, dict) and value:
        items = (f"{inner}{_dump(key)}: {_render(value[key], inner)}" for key in sorted(value))
        return "{\n" + ",\n".join(items) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(item, dict | list) for item in value):
        return "[\n" + ",\n".join(inner + _render(item, inner) for item in value) + f"\n{indent}]"
    return _dump(value)


def _dump(value: Any) -> str:
    """One plain value or flat list as JSON; NaN is refused."""
    return json.dumps(value, allow_nan=False, ensure_ascii=False)
