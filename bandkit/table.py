"""Tables of arrays: columns of equal length, frozen, in the order in which they are written."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, ClassVar, Self

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """Columns of equal length; text columns are listed in ``text_columns``."""

    text_columns: ClassVar[frozenset[str]] = frozenset()
    integer_columns: ClassVar[frozenset[str]] = frozenset()

    def __post_init__(self) -> None:
        lengths = set()
        for name in self.column_names():
            kind = np.str_ if name in self.text_columns else np.float64
            values = np.array(getattr(self, name), dtype=kind)
            values.setflags(write=False)
            object.__setattr__(self, name, values)
            lengths.add(values.shape)
        if len(lengths) > 1 or any(len(shape) != 1 for shape in lengths):
            msg = f"{type(self).__name__}: columns must be 1-D and of equal length, got {sorted(lengths)}"
            raise ValueError(msg)

    @classmethod
    def column_names(cls) -> tuple[str, ...]:
        """Names of the columns in the order in which they are written."""
        return tuple(f.name for f in fields(cls))

    @classmethod
    def from_rows(cls, rows: list[dict[str, Any]]) -> Self:
        """Build a table from rows; a missing number becomes NaN, a missing text empty."""
        columns: dict[str, list[Any]] = {}
        for name in cls.column_names():
            empty: Any = "" if name in cls.text_columns else np.nan
            columns[name] = [row.get(name, empty) for row in rows]
        unknown = {key for row in rows for key in row} - set(columns)
        if unknown:
            msg = f"rows: unknown columns {sorted(unknown)} for {cls.__name__}"
            raise ValueError(msg)
        return cls(**columns)

    @classmethod
    def concatenate(cls, tables: list[Self]) -> Self:
        """Put tables of one kind below one another."""
        names = cls.column_names()
        return cls(**{n: np.concatenate([getattr(t, n) for t in tables]) if tables else [] for n in names})

    def __len__(self) -> int:
        return int(getattr(self, self.column_names()[0]).shape[0])

    def rows(self) -> list[dict[str, Any]]:
        """Rows as dictionaries; text as str, numbers as float."""
        columns = {n: getattr(self, n).tolist() for n in self.column_names()}
        return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
