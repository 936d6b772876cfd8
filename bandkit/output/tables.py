"""The tables as CSV: UTF-8, comma, a header row, ``.`` decimal, empty = not measured.

Numbers are written in one way only, so that the same measurement gives the same
bytes. Rows of a batch are the rows of its slabs below one another.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from bandkit.errors import InputError
from bandkit.output.atomic import write_text_whole
from bandkit.output.folders import slab_name
from bandkit.results import EventTable, GrowthTable, MarkTable, SlabResult, TableName, TrackTable
from bandkit.stain_tables import StainTable
from bandkit.table import Table

TABLE_FILES: dict[TableName, str] = {
    "growth": "growth.csv",
    "marks": "marks.csv",
    "events": "events.csv",
    "stains": "stain.csv",
    "tracks": "tracks.csv",
    "profile": "profile.csv",
    "chronologies": "chronologies.csv",
    "stain_profile": "stain_profile.csv",
    "branches": "branches.csv",
    "colonies": "branch_colonies.csv",
}
# Written only where they have rows: most slabs have neither branches nor a stain line.
TABLES_WITH_ROWS: frozenset[TableName] = frozenset({"stain_profile", "branches", "colonies"})
BATCH_TABLES: dict[TableName, type[Table]] = {
    "growth": GrowthTable,
    "marks": MarkTable,
    "events": EventTable,
    "stains": StainTable,
    "tracks": TrackTable,
}
REJECTED_COLUMNS = ("record", "reason", "detail")

# Micrometres, ten-thousandths of a pixel: well below what any image carries.
DECIMALS = 6
# Rates and densities keep more, so that calcification is extension x density to 1e-9 in the file too.
RATE_DIGITS = 12
_RATE_COLUMN = re.compile(r"_(mm_yr|g_cm3|g_cm2_yr)$")

# A spreadsheet runs a cell that begins like this as a formula.
_FORMULA_START = ("=", "+", "-", "@", "\t", "\r", "\n")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


class Rejection(NamedTuple):
    """One slab that could not be measured.

    Parameters
    ----------
    record : str
        The record's file.
    reason : str
        Short code of the error.
    detail : str
        The error's message.
    """

    record: str
    reason: str
    detail: str


def table_csv(table: Table) -> str:
    """Write a table as CSV text.

    Parameters
    ----------
    table : Table
        Any table of a result.

    Returns
    -------
    str
        Header row and one line per row, each ended by a line feed.
    """
    names = table.column_names()
    columns = [_column_cells(table, name) for name in names]
    return _csv_text([names, *zip(*columns, strict=True)])


def write_batch_tables(
    out: Path, slabs: Iterable[SlabResult | Path], rejected: Iterable[Rejection] = ()
) -> tuple[Path, ...]:
    """Write the tables of a batch from its slabs.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    slabs : iterable of SlabResult or Path
        Slabs just measured, or folders written earlier, whose own tables are read.
    rejected : iterable of Rejection
        Slabs that could not be measured.

    Returns
    -------
    tuple of Path
        The files written: growth, marks, events, stain, tracks, rejected.

    Raises
    ------
    InputError
        When a slab's folder is not complete or was written by another version.
    OutputError
        When a file cannot be written; each file is written whole or not at all.
    """
    ordered = sorted(slabs, key=slab_name)
    written = []
    for name, kind in BATCH_TABLES.items():
        header = _csv_text([kind.column_names()])
        bodies = [_slab_csv(slab, name).removeprefix(header) for slab in ordered]
        path = out / TABLE_FILES[name]
        write_text_whole(path, header + "".join(bodies))
        written.append(path)
    path = out / "rejected.csv"
    rows = [[_text_cell(cell) for cell in row] for row in sorted(rejected)]
    write_text_whole(path, _csv_text([REJECTED_COLUMNS, *rows]))
    return (*written, path)


def read_slab_rows(folder: Path, name: TableName) -> list[dict[str, str]]:
    """Read one table of a slab's folder back as text cells.

    Parameters
    ----------
    folder : Path
        A slab's folder.
    name : str
        Which table.

    Returns
    -------
    list of dict
        One per row; empty text where nothing was measured.
    """
    return list(csv.DictReader(io.StringIO(_folder_csv(folder, name), newline="")))


def slab_rows(slab: SlabResult | Path, name: TableName) -> list[dict[str, str]]:
    """Get one table of a slab as rows of text cells, from memory or from its folder.

    Parameters
    ----------
    slab : SlabResult or Path
        A result or a slab's folder.
    name : str
        Which table.

    Returns
    -------
    list of dict
        One per row; empty text where nothing was measured.
    """
    return list(csv.DictReader(io.StringIO(_slab_csv(slab, name), newline="")))


def _slab_csv(slab: SlabResult | Path, name: TableName) -> str:
    """CSV text of one table of a slab, from memory or from its folder."""
    return table_csv(slab.table(name)) if isinstance(slab, SlabResult) else _folder_csv(slab, name)


def _folder_csv(folder: Path, name: TableName) -> str:
    """Read the CSV of a slab's folder and check its header."""
    path = folder / TABLE_FILES[name]
    try:
        text = path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: cannot be read ({error}); remove the folder {folder.name} and measure the slab again"
        raise InputError(msg) from error
    if name in BATCH_TABLES and not text.startswith(_csv_text([BATCH_TABLES[name].column_names()])):
        msg = (
            f"{path}: columns are not those of this version; remove the folder {folder.name} and measure the slab again"
        )
        raise InputError(msg)
    return text


def _csv_text(rows: Sequence[Iterable[str]]) -> str:
    """Join cells by commas, quoted where needed, and lines by line feeds."""
    buffer = io.StringIO(newline="")
    csv.writer(buffer, lineterminator="\n").writerows(rows)
    return buffer.getvalue()


def _column_cells(table: Table, name: str) -> list[str]:
    """Cells of one column, each column kind in its own manner."""
    values = getattr(table, name).tolist()
    if name in table.text_columns or name in table.integer_columns:
        cell: Callable[[Any], str] = _text_cell if name in table.text_columns else _integer_cell
        # Few different values fill a long table: each is written once.
        known = {value: cell(value) for value in set(values)}
        return [known[value] for value in values]
    if isinstance(table, GrowthTable) and _RATE_COLUMN.search(name):
        return [_rate_cell(value) for value in values]
    return [_number_cell(value) for value in values]


def _integer_cell(value: float) -> str:
    """Write a whole number; empty where there is none."""
    return str(round(value)) if math.isfinite(value) else ""


def _rate_cell(value: float) -> str:
    """Write a rate or density with enough digits for exact products; empty where there is none."""
    return f"{value + 0.0:.{RATE_DIGITS}g}" if math.isfinite(value) else ""


def _number_cell(value: float) -> str:
    """Write a number rounded to a fixed number of decimals; empty where there is none."""
    # Adding zero turns a negative zero into a plain one.
    return f"{round(value, DECIMALS) + 0.0:.15g}" if math.isfinite(value) else ""


def _text_cell(text: str) -> str:
    """Text made harmless for spreadsheets; plain numbers stay as they are."""
    if text.startswith(_FORMULA_START) and not _PLAIN_NUMBER.fullmatch(text):
        return f"'{text}"
    return text
