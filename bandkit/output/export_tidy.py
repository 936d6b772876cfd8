"""Export as tidy CSV: one row per slab, track and year, and a second table that says what the columns are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.output.export_columns import COLUMN_MEANINGS, TidyGrowthTable, tidy_table, unit_of
from bandkit.output.tables import table_csv
from bandkit.results import SlabResult
from bandkit.table import Table

StrArray = NDArray[np.str_]

TIDY_FILE = "growth_tidy.csv"
COLUMNS_FILE = "growth_columns.csv"
_MISSING = "empty"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColumnTable(Table):
    """One row per column of the tidy table."""

    text_columns = frozenset({"column", "unit", "holds", "missing", "meaning"})

    column: StrArray
    unit: StrArray
    holds: StrArray
    missing: StrArray
    meaning: StrArray


def tidy_files(slabs: list[SlabResult]) -> dict[str, bytes]:
    """Write the growth of slabs as tidy CSV.

    Parameters
    ----------
    slabs : list of SlabResult
        Measured slabs.

    Returns
    -------
    dict of str to bytes
        The table, and the table of its columns. UTF-8, comma, ``.`` decimal, empty = not measured; text that a
        spreadsheet would run as a formula has a quote before it.
    """
    return {
        TIDY_FILE: table_csv(tidy_table(slabs)).encode("utf-8"),
        COLUMNS_FILE: table_csv(column_table()).encode("utf-8"),
    }


def column_table() -> ColumnTable:
    """Say what each column of the tidy table is.

    Returns
    -------
    ColumnTable
        One row per column, in the order of the table.
    """
    return ColumnTable.from_rows([
        {"column": name, "unit": unit_of(name), "holds": _holds(name), "missing": _MISSING,
         "meaning": COLUMN_MEANINGS[name]}
        for name in TidyGrowthTable.column_names()
    ])  # fmt: skip


def _holds(name: str) -> str:
    """Whether a column holds text, whole numbers or numbers."""
    if name in TidyGrowthTable.text_columns:
        return "text"
    return "whole number" if name in TidyGrowthTable.integer_columns else "number"
