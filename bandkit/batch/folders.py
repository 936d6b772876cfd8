"""Which folders of a batch go into its tables, and which rejections of earlier runs still stand."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from bandkit.batch.slab import provenance_of
from bandkit.errors import BandkitError, InputError
from bandkit.output import Rejection, slab_folder
from bandkit.output.document import RESULT_FILE
from bandkit.output.tables import BATCH_TABLES, read_slab_rows
from bandkit.record import read_record


def table_folders(out: Path, done: Iterable[Path], stale: set[Path]) -> tuple[list[Path], list[str]]:
    """Folders whose rows go into the tables of the batch.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    done : iterable of Path
        Folders measured or found unchanged in this run.
    stale : set of Path
        Folders made earlier from records that are rejected now.

    Returns
    -------
    folders : list of Path
        Those of this run and those of earlier runs that are whole and not stale.
    notices : list of str
        One sentence for each that is left out.
    """
    kept, notices = list(done), []
    for folder in sorted(path.parent for path in out.glob(f"*/{RESULT_FILE}")):
        if folder in kept or folder.name.startswith("."):
            continue
        if folder in stale:
            notices.append(f"{folder}: an earlier result whose record is rejected now; left out of the batch tables")
            continue
        try:
            for name in BATCH_TABLES:
                read_slab_rows(folder, name)
        except InputError as error:
            notices.append(f"{error}; left out of the batch tables")
        else:
            kept.append(folder)
    return kept, notices


def stale_folders(out: Path, rejected: Iterable[Path]) -> set[Path]:
    """Folders made earlier from records that are rejected now.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    rejected : iterable of Path
        Rejected records.

    Returns
    -------
    set of Path
        By the specimen's id; by the record's file name where it cannot be read any more.
    """
    stale, unreadable = set(), set()
    for path in rejected:
        try:
            stale.add(slab_folder(out, read_record(path).specimen.id))
        except BandkitError:
            unreadable.add(path.name)
    if unreadable:
        folders = (path.parent for path in out.glob(f"*/{RESULT_FILE}"))
        stale |= {folder for folder in folders if Path(provenance_of(folder).get("record", "")).name in unreadable}
    return stale


def earlier_rejections(out: Path, records: Sequence[Path]) -> list[Rejection]:
    """Rejections of earlier runs that still stand.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    records : sequence of Path
        Records tried in this run.

    Returns
    -------
    list of Rejection
        Those whose record was not tried now and is still there.
    """
    tried = {path.resolve() for path in records}
    try:
        text = (out / "rejected.csv").read_text(encoding="utf-8")
        rows = [Rejection(row["record"], row["reason"], row["detail"]) for row in csv.DictReader(text.splitlines())]
    except (OSError, ValueError, KeyError, csv.Error):
        return []
    paths = [(row, record_path(row.record, out).resolve()) for row in rows]
    return [row for row, path in paths if path not in tried and path.is_file()]


def record_name(path: Path, out: Path) -> str:
    """Name of a record in the tables, the same on every machine.

    Parameters
    ----------
    path : Path
        The record.
    out : Path
        Folder of the batch.

    Returns
    -------
    str
        Path relative to the folder that ``out`` lies in.
    """
    try:
        return Path(os.path.relpath(path.resolve(), out.resolve().parent)).as_posix()
    except ValueError:
        # Another drive.
        return path.resolve().as_posix()


def record_path(name: str, out: Path) -> Path:
    """The record that a name in the tables stands for.

    Parameters
    ----------
    name : str
        As `record_name` gives it.
    out : Path
        Folder of the batch.

    Returns
    -------
    Path
        The record.
    """
    return out.resolve().parent / name
