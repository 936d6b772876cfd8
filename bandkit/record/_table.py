"""One table of a record, read key by key: every error names file, key, value and remedy."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NoReturn, TypeVar

from bandkit.errors import RecordError
from bandkit.record._keys import KEYS, key_path, unknown_key_remedy
from bandkit.record.model_density import Box
from bandkit.record.model_mass import Point

T = TypeVar("T")
Choice = TypeVar("Choice", bound=str)

_MOST_TEXT = 500
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_MOST_NUMBER = 1e300
# Far beyond any image, and small enough for areas to be computed.
_MOST_PX = 1e7
_MOST_YEARS = 10_000
_MOST_SHOWN = 60
_MOST_LISTED = 4
_BOX_SIDES = 4
_POINT_SIDES = 2


def show(value: object) -> str:
    """Write a value as it stands in the record, short enough for one line.

    Parameters
    ----------
    value : object
        Any value that a TOML file can hold.

    Returns
    -------
    str
        At most about 60 characters, no line breaks.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, (list, tuple)):
        plain = all(isinstance(v, (int, float)) for v in value)
        return f"[{', '.join(map(show, value))}]" if plain and len(value) <= _MOST_LISTED else f"a list of {len(value)}"
    if isinstance(value, int) and abs(value) >= 10**_MOST_SHOWN:
        return "a number of very many digits"
    text = f'"{repr(value)[1:-1]}"' if isinstance(value, str) else repr(value)
    return text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 3] + "..."


class Table:
    """One table of a record.

    Parameters
    ----------
    values : mapping
        What the file says.
    source : str
        Name of the file, for messages.
    path : str
        The way to this table, such as ``track[2]``; entries of lists are counted from 1.
    schema : str
        Name of the table in `KEYS`.

    Raises
    ------
    RecordError
        When it holds a key that is not known.
    """

    def __init__(self, values: Mapping[str, Any], source: str, *, path: str = "", schema: str = "") -> None:
        self.values = values
        self.source = source
        self.path = path
        self.schema = schema
        for key in values:
            if key not in KEYS[schema]:
                self.fail(key, f"unknown key; {unknown_key_remedy(schema, key)}")

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def fail(self, key: str, problem: str, *, reason: str | None = None) -> NoReturn:
        """Raise the error for one key: file, key, value found, and the problem with its remedy."""
        found = f" = {show(self.values[key])}" if key in self.values else ""
        msg = f"{self.source}: {key_path(self.path, key)}{found}: {problem}"
        raise RecordError(msg, reason=reason)

    def reject(self, key: str, problem: str, remedy: str = "") -> NoReturn:
        """Raise the error for a value; where no remedy is given, with an example of a right one."""
        self.fail(key, f"{problem}; {remedy or self._example(key)}")

    def need(self, read: Callable[..., T | None], key: str, **limits: Any) -> T:
        """Read a key that must be there."""
        value: T | None = read(key, **limits)
        if value is None:
            self.fail(key, f"missing; {self._example(key)}")
        return value

    def text(self, key: str) -> str | None:
        """Text of one line."""
        value = self.values.get(key)
        if value is None:
            return None
        if not isinstance(value, str):
            self.reject(key, "not text", f"put it in quotes: {self._example(key)}")
        if _CONTROL.search(value) or len(value) > _MOST_TEXT:
            self.reject(key, f"must be one line of at most {_MOST_TEXT} characters")
        return value

    def choice(self, key: str, options: Sequence[Choice]) -> Choice | None:
        """One of the given words."""
        value = self.values.get(key)
        if value is None:
            return None
        chosen = next((option for option in options if value == option), None)
        if chosen is not None:
            return chosen
        listed = " | ".join(f'"{option}"' for option in options)
        return self.reject(key, "not one of the choices", f"write one of {listed}")

    def flag(self, key: str) -> bool | None:
        """True or false."""
        value = self.values.get(key)
        if value is not None and not isinstance(value, bool):
            self.reject(key, "neither true nor false", f"write {key} = true or {key} = false, without quotes")
        return value

    def number(
        self, key: str, *, above: float = -math.inf, least: float = -math.inf, most: float = math.inf
    ) -> float | None:
        """A finite number within limits."""
        value = self.values.get(key)
        return None if value is None else self._number(key, value, above=above, least=least, most=most)

    def date(self, key: str, *, first: datetime.date, last: datetime.date) -> datetime.date | None:
        """A calendar date within limits."""
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, datetime.datetime):
            self.reject(key, "a date with a time of day", f"write {key} = {value.date()}")
        if isinstance(value, str):
            self.reject(key, "a date in quotes", f"remove the quotes: {key} = {_iso_or(value, '2019-06-15')}")
        if not isinstance(value, datetime.date):
            self.reject(key, "not a date", f"{self._example(key)} (year-month-day, without quotes)")
        if not first <= value <= last:
            problem = f"in the future (today is {last})" if value > last else f"before {first.year}"
            self.reject(key, problem, "correct the date")
        return value

    def point(self, key: str) -> Point | None:
        """A pixel position [x, y]."""
        value = self.values.get(key)
        return None if value is None else self._point(key, value)

    def points(self, key: str) -> tuple[Point, ...] | None:
        """A list of pixel positions."""
        value = self.values.get(key)
        return None if value is None else tuple(self._point(key, v, at=i) for i, v in enumerate(self._list(key), 1))

    def box(self, key: str) -> Box | None:
        """A box x0, y0, x1, y1."""
        value = self.values.get(key)
        return None if value is None else self._box(key, value)

    def boxes(self, key: str) -> tuple[Box, ...]:
        """A list of boxes; empty where the key is absent."""
        return tuple(self._box(key, value, at=i) for i, value in enumerate(self._list(key), 1))

    def years(self, key: str) -> tuple[int, int] | None:
        """Least and most whole years."""
        value = self.values.get(key)
        if value is None:
            return None
        whole = isinstance(value, list) and all(isinstance(v, int) and not isinstance(v, bool) for v in value)
        if not whole or len(value) != _POINT_SIDES or not 0 <= value[0] <= value[1] <= _MOST_YEARS:
            self.reject(key, "must be the least and the most years lost, two whole numbers")
        return value[0], value[1]

    def row(self, key: str, length: int) -> tuple[float, ...] | None:
        """A row of numbers."""
        value = self.values.get(key)
        return None if value is None else self._row(key, value, length)

    def rows(self, key: str, length: int) -> tuple[tuple[float, ...], ...] | None:
        """A list of rows of numbers."""
        if self.values.get(key) is None:
            return None
        return tuple(self._row(key, value, length, at=i) for i, value in enumerate(self._list(key), 1))

    def span(self, key: str) -> tuple[int, int] | None:
        """First and last of a run of whole numbers."""
        value = self.values.get(key)
        if value is None:
            return None
        whole = isinstance(value, list) and all(isinstance(v, int) and not isinstance(v, bool) for v in value)
        if not whole or len(value) != _POINT_SIDES or not 0 <= value[0] <= value[1] <= _MOST_PX:
            self.reject(key, "must be the first and the last one, two whole numbers from 0 on")
        return value[0], value[1]

    def table(self, key: str) -> Table | None:
        """The table of that name inside this one."""
        value = self.values.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.reject(key, "not a table", f"write it as {KEYS[self.schema][key]}")
        return self._inner(key, value, key_path(self.path, key))

    def tables(self, key: str) -> list[Table]:
        """The list of tables of that name; empty where the key is absent."""
        path = key_path(self.path, key)
        entries = self._list(key)
        for value in entries:
            if not isinstance(value, dict):
                self.reject(key, "not a list of tables", f"write it as {KEYS[self.schema][key]}")
        return [self._inner(key, value, f"{path}[{i}]") for i, value in enumerate(entries, 1)]

    def _inner(self, key: str, values: Mapping[str, Any], path: str) -> Table:
        """A table inside this one."""
        return Table(values, self.source, path=path, schema=key_path(self.schema, key))

    def _example(self, key: str) -> str:
        """What a right line looks like."""
        example = KEYS[self.schema][key]
        is_header = example in (f"[{key}]", f"[[{key}]]")
        return f"write {example}" if is_header else f"write {key} = {example}"

    def _list(self, key: str) -> list[Any]:
        """The list of that name; empty where the key is absent."""
        value = self.values.get(key, [])
        if isinstance(value, dict) and KEYS[self.schema][key].startswith("[["):
            self.reject(key, "must be a list", f"write it as {KEYS[self.schema][key]}, with double brackets")
        if not isinstance(value, list):
            self.reject(key, "must be a list")
        return value

    def _number(
        self,
        key: str,
        value: object,
        *,
        above: float = -math.inf,
        least: float = -math.inf,
        most: float = math.inf,
        where: str = "",
    ) -> float:
        """One finite number within limits; ``where`` is its place in a list."""
        which = f"{where}{show(value)}, " if where else ""
        if isinstance(value, str):
            self.reject(key, f"{which}a number in quotes", f"remove the quotes: {self._example(key)}")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.reject(key, f"{which}not a number")
        # Whole numbers of any length are legal TOML, but float() refuses those beyond its range.
        number = float(value) if abs(value) < _MOST_NUMBER else math.inf
        if not math.isfinite(number):
            self.reject(key, f"{which}not a finite number")
        if not (number > above and least <= number <= most):
            self.reject(key, f"{which}must be {_limits(above, least, most)}")
        return number

    def _row(self, key: str, value: object, length: int, *, at: int | None = None) -> tuple[float, ...]:
        """One row of numbers."""
        if not isinstance(value, list) or len(value) != length:
            self.reject(key, f"{_which(at, value)}not a row of {length} numbers")
        return tuple(self._number(key, v, least=-_MOST_PX, most=_MOST_PX, where=_entry(at)) for v in value)

    def _point(self, key: str, value: object, *, at: int | None = None) -> Point:
        """One pixel position."""
        if not isinstance(value, list) or len(value) != _POINT_SIDES:
            self.reject(key, f"{_which(at, value)}not a position [x, y]")
        x, y = (self._number(key, v, least=-_MOST_PX, most=_MOST_PX, where=_entry(at)) for v in value)
        return x, y

    def _box(self, key: str, value: object, *, at: int | None = None) -> Box:
        """One box with its corners in order."""
        if not isinstance(value, list) or len(value) != _BOX_SIDES:
            self.reject(key, f"{_which(at, value)}not a box [x0, y0, x1, y1]")
        x0, y0, x1, y1 = (self._number(key, v, least=-_MOST_PX, most=_MOST_PX, where=_entry(at)) for v in value)
        if x1 <= x0 or y1 <= y0:
            remedy = f"write the smaller x and y first: {[min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)]}"
            if x0 == x1 or y0 == y1:
                remedy = "give it a width and a height"
            self.reject(key, f"{_which(at, value)}a box of no area or with its corners swapped", remedy)
        return x0, y0, x1, y1


def _entry(at: int | None) -> str:
    """Which entry of a list a number belongs to."""
    return "in it " if at is None else f"entry {at}: "


def _which(at: int | None, value: object) -> str:
    """Which entry of a list a message is about, and what it says."""
    return "" if at is None else f"entry {at}: {show(value)} is "


def _limits(above: float, least: float, most: float) -> str:
    """Limits in words."""
    if least > -math.inf and most < math.inf:
        return f"between {least:g} and {most:g}"
    low = f"above {above:g}" if above > -math.inf else f"at least {least:g}"
    return f"{low} and at most {most:g}" if most < math.inf else low


def _iso_or(text: str, example: str) -> str:
    """The date in a text as ISO, or the example where there is none."""
    try:
        return datetime.date.fromisoformat(text.strip()[:10]).isoformat()
    except ValueError:
        return example
