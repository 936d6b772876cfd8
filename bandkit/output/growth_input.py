"""Growth to work on: results of measured slabs, or a plain table of the same columns made elsewhere."""

from __future__ import annotations

import csv
import difflib
import hashlib
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bandkit.errors import InputError
from bandkit.flags import Flag
from bandkit.output.document import RESULT_FILE, read_result
from bandkit.results import GrowthTable, MarkTable, ProfileTable, SlabResult, TrackTable
from bandkit.stain_tables import StainTable

NEEDED_COLUMNS = ("specimen", "track", "year", "extension_mm_yr")
# Nobody counts that far back in a colony, and no calendar in use is that young.
_LEAST_CALENDAR_YEAR = 1000


def read_growth(paths: Sequence[Path]) -> list[SlabResult]:
    """Read the growth of slabs from wherever it is.

    Parameters
    ----------
    paths : sequence of Path
        Each a ``result.json``, a slab's folder, a folder of such folders, or a CSV table with the columns of
        ``growth.csv``.

    Returns
    -------
    list of SlabResult
        One per specimen, in the order of the paths and of the names below a folder. What comes from a CSV table has
        growth, the specimen's id, and the table's hash as its provenance; all else is empty.

    Raises
    ------
    InputError
        A path with nothing to read, a table without the columns or with a cell that is no number, a specimen twice.
    """
    slabs = [slab for path in paths for slab in _read_one(Path(path))]
    seen: dict[str, SlabResult] = {}
    for slab in slabs:
        name = str(slab.specimen["id"])
        if name in seen:
            msg = f"specimen {name}: given twice; give each slab once, as its folder or as a table"
            raise InputError(msg)
        seen[name] = slab
    return slabs


def read_growth_table(path: Path) -> GrowthTable:
    """Read a CSV table of growth.

    Parameters
    ----------
    path : Path
        UTF-8, comma, a header row; empty cells are not measured.

    Returns
    -------
    GrowthTable
        Columns that the file has; others are empty. Rows without ``complete`` count as whole years; columns that
        ``growth.csv`` does not have are left out.

    Raises
    ------
    InputError
        When it cannot be read, lacks a needed column or has a cell that is no number.
    """
    return _table_of(_csv_rows(path), path)


def _read_one(path: Path) -> list[SlabResult]:
    """Results at one path."""
    if path.is_dir() and not (path / RESULT_FILE).is_file():
        folders = sorted(found.parent for found in path.glob(f"*/{RESULT_FILE}"))
        if not folders:
            msg = (f"{path}: no measured slab in this folder; give a slab's folder, its {RESULT_FILE}, the folder that "
                   "`bandkit measure` wrote, or a growth table (*.csv)")
            raise InputError(msg)
        return [read_result(folder) for folder in folders]
    if path.suffix.lower() == ".csv":
        return _from_table(path)
    return [read_result(path)]


def _from_table(path: Path) -> list[SlabResult]:
    """One result per specimen of a CSV table."""
    rows = _csv_rows(path)
    if not rows:
        msg = f"{path}: no rows below the header; give a table with a row per track and year"
        raise InputError(msg)
    provenance = {"record": "", "table": path.name, "table_sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    slabs = []
    for specimen in dict.fromkeys(row["specimen"] for row in rows):
        growth = _table_of([row for row in rows if row["specimen"] == specimen], path)
        counted = bool((growth.year < _LEAST_CALENDAR_YEAR).any())
        slabs.append(SlabResult(
            specimen={"id": _plain(specimen)}, image={}, scale={}, growth=growth, marks=MarkTable.from_rows([]),
            stains=StainTable.from_rows([]), tracks=TrackTable.from_rows([]), profile=ProfileTable.from_rows([]),
            lines=(), calibration=None, flags=(Flag(code="floating"),) if counted else (), methods=(), settings={},
            provenance=provenance,
        ))  # fmt: skip
    return slabs


def _csv_rows(path: Path) -> list[dict[str, str]]:
    """Rows as text; the header checked."""
    try:
        # Spreadsheets put a byte-order mark before the header.
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: cannot be read as a table ({error}); save it as CSV, UTF-8, parted by commas"
        raise InputError(msg) from error
    reader = csv.DictReader(io.StringIO(text, newline=""), restval="")
    header = list(reader.fieldnames or [])
    for name in NEEDED_COLUMNS:
        if name not in header:
            near = difflib.get_close_matches(name, header, n=1)
            hint = f', where there is "{near[0]}"' if near else f" (the header begins {', '.join(header[:4])!r})"
            msg = f"{path}: no column {name}{hint}; name the columns as in growth.csv, parted by commas"
            raise InputError(msg)
    return list(reader)


def _table_of(rows: list[dict[str, str]], path: Path) -> GrowthTable:
    """Rows of text as a table."""
    return GrowthTable.from_rows([_growth_row(row, f"{path}: row {i}") for i, row in enumerate(rows, 1)])


def _growth_row(row: dict[str, str], where: str) -> dict[str, Any]:
    """One row; numbers as such."""
    values: dict[str, Any] = {"complete": "yes"}
    for name in GrowthTable.column_names():
        cell = (row.get(name) or "").strip()
        if not cell:
            continue
        try:
            values[name] = _plain(cell) if name in GrowthTable.text_columns else float(cell)
        except ValueError:
            msg = f"{where}: {name}: {cell!r} is no number; write 12.5, with a point, or leave the cell empty"
            raise InputError(msg) from None
    return values


def _plain(cell: str) -> str:
    """Text without the quote by which it was kept from becoming a formula."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in "=+-@" else cell
