"""From a record's file to a record, once its image is known to be there."""

from __future__ import annotations

from pathlib import Path

from bandkit.errors import RecordError
from bandkit.record._table import show
from bandkit.record._toml import read_text
from bandkit.record.model import Record
from bandkit.record.parse import parse_record


def read_record(path: str | Path) -> Record:
    """Read and check a slab record; its image must be there, but is not opened.

    Parameters
    ----------
    path : path
        The TOML file.

    Returns
    -------
    Record
        The checked record.

    Raises
    ------
    RecordError
        One line with the file, the key, the value found and what to write instead.
    """
    path = Path(path)
    record = parse_record(read_text(path), path)
    _check_image_is_there(record)
    _check_map_is_there(record)
    return record


def _check_image_is_there(record: Record) -> None:
    """Raise where the image file is missing, with the nearest name in its folder."""
    path = record.image.path
    try:
        if path.is_file() or (record.volume is not None and path.is_dir()):
            return
        names = [p.name for p in path.parent.iterdir() if p.is_file()] if path.parent.is_dir() else []
        problem = "is a folder" if path.is_dir() else f"no such file in {path.parent}"
    except OSError as error:
        names, problem = [], f"cannot be looked up ({error.strerror})"
    # Imported here: only a mistake needs it.
    from difflib import get_close_matches

    nearest = get_close_matches(path.name, [n for n in names if n != record.path.name], n=1)
    remedy = f"the nearest name there is {show(nearest[0])}" if nearest else "write its place relative to the record"
    if "\\" in record.image.file:
        remedy = "write folders with /"
    if problem == "is a folder" and record.image.kind == "ct":
        remedy = "write [volume] with points_px and thickness_mm to cut a slab out of its slices"
    msg = f"{record.path}: image.file = {show(record.image.file)}: {problem}; {remedy}"
    raise RecordError(msg, reason="missing-image")


def _check_map_is_there(record: Record) -> None:
    """Raise where the record names a map of the slab's thickness that is not there."""
    drawn = record.density.thickness_map if record.density is not None else None
    if drawn is not None and not drawn.path.is_file():
        msg = (
            f"{record.path}: density.thickness_map.file = {show(drawn.file)}: no such file in {drawn.path.parent}; "
            "write its place relative to the record"
        )
        raise RecordError(msg, reason="missing-image")
