"""Growth series read back from what `measure` wrote, or from a plain table made elsewhere."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from pathlib import Path

import numpy as np

from bandkit.analysis.series import GROUPING_COLUMNS, Grouping, GrowthSeries, grouping_from_rows, series_from_rows
from bandkit.errors import InputError
from bandkit.output.document import RESULT_FILE, read_result
from bandkit.output.tables import TABLE_FILES, table_csv
from bandkit.results import SlabResult
from bandkit.uncertainty import Chronologies

_GROWTH, _TRACKS, _CHRONOLOGIES = (TABLE_FILES[name] for name in ("growth", "tracks", "chronologies"))

Rows = list[dict[str, str]]


def read_series(paths: Iterable[Path], groups: Path | None = None) -> tuple[GrowthSeries, ...]:
    """Read growth series.

    Parameters
    ----------
    paths : iterable of Path
        Each a results folder of `measure`, the folder of one slab, a result.json, or a CSV with the columns
        specimen, year and a quantity such as extension_mm_yr.
    groups : Path, optional
        CSV with the columns specimen, colony, core, site; wins over what the results say.

    Returns
    -------
    tuple of GrowthSeries
        One per specimen and track.

    Raises
    ------
    InputError
        A file cannot be read or used, or the same specimen and track comes from two files.
    """
    given = grouping_from_rows(_read_rows(groups), str(groups)) if groups is not None else Grouping()
    found: list[GrowthSeries] = []
    source_of: dict[tuple[str, str], Path] = {}
    for path in dict.fromkeys(part for given_path in paths for part in _parts(given_path)):
        for series in _read_one(path, given):
            key = series.place.specimen, series.place.track
            if key in source_of:
                name = series.place.name("track")
                msg = f"{path}: specimen: {name} is in {source_of[key]} too; give each slab once"
                raise InputError(msg)
            source_of[key] = path
            found.append(series)
    return tuple(found)


def slab_folders(paths: Iterable[Path]) -> dict[str, Path]:
    """Folders of measured slabs among some paths.

    Parameters
    ----------
    paths : iterable of Path
        As for `read_series`.

    Returns
    -------
    dict of str to Path
        By the folder's name.

    Raises
    ------
    InputError
        A folder without measured slabs.
    """
    found = [part if part.is_dir() else part.parent for path in paths for part in _parts(path)]
    return {folder.resolve().name: folder for folder in found if (folder / RESULT_FILE).is_file()}


def _parts(path: Path) -> list[Path]:
    """Slab folders and files below a path."""
    if not path.is_dir():
        return [path]
    if (path / RESULT_FILE).is_file():
        return [path]
    slabs = sorted(folder for folder in path.iterdir() if (folder / RESULT_FILE).is_file())
    if not slabs:
        msg = f"{path}: no measured slabs in this folder; give the folder that bandkit measure wrote, or a CSV"
        raise InputError(msg)
    return slabs


def _read_one(path: Path, given: Grouping) -> tuple[GrowthSeries, ...]:
    """Series of one slab folder or file."""
    if path.suffix == ".json":
        return _from_result(read_result(path), path, given)
    growth = path / _GROWTH if path.is_dir() else path
    rows = _read_rows(growth)
    beside = growth.parent if growth.name == _GROWTH else None
    known = _read_rows(beside / _TRACKS) if beside and (beside / _TRACKS).is_file() else rows
    drawn = {}
    if beside and (beside / _CHRONOLOGIES).is_file():
        drawn = _chronologies(_read_rows(beside / _CHRONOLOGIES), beside / _CHRONOLOGIES)
    if path.is_dir() and not rows:
        # A slab of which only stains were measured has no years; that is no fault of the table.
        return ()
    return series_from_rows(rows, str(growth), grouping=_joined(known, given, growth), chronologies=drawn)


def _from_result(result: SlabResult, path: Path, given: Grouping) -> tuple[GrowthSeries, ...]:
    """Series of a result."""
    rows, known = (_rows_of(table_csv(result.table(name)), str(path)) for name in ("growth", "tracks"))
    if not rows:
        return ()
    specimen = str(result.specimen["id"])
    drawn = {(specimen, track): draws for track, draws in result.chronologies.items()}
    return series_from_rows(rows, str(path), grouping=_joined(known, given, path), chronologies=drawn)


def _joined(rows: Rows, given: Grouping, source: Path) -> Grouping:
    """What the results say of the nesting, and above it what the person says."""
    own = grouping_from_rows(rows, str(source))
    joined: dict[str, Mapping[str, str]] = {n: {**getattr(own, n), **getattr(given, n)} for n in GROUPING_COLUMNS[1:]}
    return Grouping(**joined)


def _read_rows(path: Path) -> Rows:
    """Rows of a CSV as text cells."""
    try:
        # A spreadsheet may have put a mark of its own before the first name.
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: cannot be read as a table ({error}); give a CSV in UTF-8"
        raise InputError(msg) from error
    return _rows_of(text, str(path))


def _rows_of(text: str, source: str) -> Rows:
    """Rows of CSV text; every row must have as many cells as there are names."""
    rows: Rows = []
    for number, row in enumerate(csv.DictReader(io.StringIO(text, newline="")), 2):
        if None in row or None in row.values():
            msg = f"{source}: line {number} has not as many cells as the first; put commas between cells, . in numbers"
            raise InputError(msg)
        rows.append({name.strip(): cell.strip() for name, cell in row.items()})
    return rows


def _chronologies(rows: Sequence[Mapping[str, str]], source: Path) -> dict[tuple[str, str], Chronologies]:
    """Draws by specimen and track."""
    found = {}
    try:
        for key, own in groupby(rows, lambda row: (row["specimen"], row["track"])):
            draws = [list(draw) for _, draw in groupby(own, lambda row: row["draw"])]
            depth = tuple(np.array([float(row["depth_mm"]) for row in draw]) for draw in draws)
            year = tuple(np.array([float(row["year"]) for row in draw]) for draw in draws)
            floating = any(part.size > 1 and part[1] > part[0] for part in year)
            found[key] = Chronologies(depth_mm=depth, year=year, floating=floating)
    except (KeyError, ValueError) as error:
        msg = f"{source}: {error}: not the chronologies that bandkit measure writes; measure the slab again"
        raise InputError(msg) from error
    return found
