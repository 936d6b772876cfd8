"""A record or a part of it as plain values: for JSON, and for the file it came from."""

from __future__ import annotations

import datetime
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from bandkit.record.model import Record
from bandkit.record.model_density import DensitySpec
from bandkit.record.model_stain import ColourSpec


def to_plain(part: Any) -> Any:
    """Any part of a record as plain values, fit for JSON.

    Parameters
    ----------
    part : object
        A record, one of its dataclasses, or a value in one.

    Returns
    -------
    object
        Dataclasses as dictionaries, tuples as lists, dates as ISO text, paths as text.
        The text of the record is left out.
    """
    if is_dataclass(part) and not isinstance(part, type):
        names = (f.name for f in fields(part) if f.name != "text")
        return {name: to_plain(getattr(part, name)) for name in names}
    if isinstance(part, (tuple, list)):
        return [to_plain(value) for value in part]
    if isinstance(part, datetime.date):
        return part.isoformat()
    return str(part) if isinstance(part, Path) else part


def record_values(record: Record) -> dict[str, Any]:
    """The record as the nested values that its TOML file holds.

    Parameters
    ----------
    record : Record
        The record.

    Returns
    -------
    dict
        Keys and units as in the file; what is not given is left out.
    """
    values: dict[str, Any] = {
        "record": record.version,
        "specimen": _given(record.specimen),
        "image": _given(record.image),
        "scale": _given(record.scale),
        "dating": _given(record.dating),
    }
    del values["image"]["path"]
    _rename_scale(values["scale"])
    if record.dating.mark_date:
        month, day = record.dating.mark_date
        values["dating"]["mark_date"] = f"{month:02d}-{day:02d}"
    if record.density is not None:
        values["density"] = _density_values(record.density)
    if record.volume is not None:
        values["volume"] = _given(record.volume)
    for name in ("bulk", "photograph"):
        if (table := getattr(record, name)) is not None:
            values[name] = _given(table)
            values[name].pop("path", None)
    for name in ("track", "stain", "reading", "mask", "gap", "event"):
        if entries := getattr(record, f"{name}s"):
            values[name] = [_given(entry) for entry in entries]
    if record.colour != ColourSpec():
        values["colour"] = _given(record.colour)
    if record.branches:
        values["branch"] = [_given(entry) for entry in record.branches]
    return values


def _density_values(density: DensitySpec) -> dict[str, Any]:
    """The [density] table."""
    values: dict[str, Any] = _given(density)
    if density.bodies:
        values["standards"] = values.pop("bodies")
    if density.curve == "linear":
        del values["curve"]
    values.get("thickness_map", {}).pop("path", None)
    return values


def _rename_scale(values: dict[str, Any]) -> None:
    """Call the ways to say the scale what the file calls them."""
    if values.pop("from_file"):
        values["source"] = "file"
    if "rulers" in values:
        values["ruler"] = values.pop("rulers")


def _given(part: Any) -> Any:
    """A dataclass as a dictionary without what is not given; dates stay dates."""
    if is_dataclass(part) and not isinstance(part, type):
        pairs = ((f.name, _given(getattr(part, f.name))) for f in fields(part))
        return {name: value for name, value in pairs if value not in (None, "", [])}
    return [_given(value) for value in part] if isinstance(part, tuple) else part
