"""Files and folders that are written whole or not at all.

A reader, a second program or the next run never meets half a table: everything is
first written under a hidden name beside its target, forced to the disk, and then
renamed. What was there before stays until the new content is complete.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

from bandkit.errors import BandkitError, OutputError

_REMEDIES = {
    errno.ENOSPC: "the disk is full; free some space and run again",
    errno.EDQUOT: "the disk quota is used up; free some space and run again",
    errno.EROFS: "this disk is read-only; choose another folder with --out",
    errno.EACCES: "you may not write here; choose another folder with --out",
    errno.EPERM: "you may not write here; choose another folder with --out",
    errno.ENOTDIR: "a file stands where a folder is needed; choose another folder with --out",
    errno.EEXIST: "a file stands where a folder is needed; choose another folder with --out",
    errno.ENAMETOOLONG: "the name is too long for this disk; shorten the specimen id or choose another --out",
}


def write_bytes_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : Path
        The file; its folder is made where absent.
    content : bytes
        What it shall hold.

    Raises
    ------
    OutputError
        When it cannot be written; what was there before is kept.
    """
    part = path.with_name(_hidden_name(path.name, "part"))
    with _as_output_error(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        _remove_leftover_files(path)
        try:
            write_bytes_synced(part, content)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)


def write_text_whole(path: Path, text: str) -> None:
    """Write a UTF-8 text file whole or not at all; line ends stay as they are.

    Parameters
    ----------
    path : Path
        The file; its folder is made where absent.
    text : str
        What it shall hold.

    Raises
    ------
    OutputError
        When it cannot be written; what was there before is kept.
    """
    # A file name that is not valid Unicode may have got into the text.
    write_bytes_whole(path, text.encode("utf-8", errors="replace"))


def write_bytes_synced(path: Path, content: bytes) -> None:
    """Write a file and wait until the disk has it; for use inside `write_folder_whole`.

    Parameters
    ----------
    path : Path
        The file.
    content : bytes
        What it shall hold.
    """
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def write_folder_whole(target: Path, writer: Callable[[Path], None]) -> None:
    """Build a folder under a hidden name and swap it in when it is complete.

    Parameters
    ----------
    target : Path
        The folder. Files in it that ``writer`` does not make, such as a person's
        notes, are carried over.
    writer : callable
        Receives the hidden folder and fills it.

    Raises
    ------
    OutputError
        When the folder cannot be built or swapped in; what was there before is kept.

    Notes
    -----
    No portable call replaces a folder that has files in it, so the old one is renamed
    first and renamed back if the new one cannot take its place. A run that is killed
    between the two renames is mended by the next run.
    """
    with _as_output_error(target):
        target = target.resolve()
        if target.exists() and not target.is_dir():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
        target.parent.mkdir(parents=True, exist_ok=True)
        _mend_killed_run(target)
        part = target.with_name(_hidden_name(target.name, "part"))
        try:
            part.mkdir()
            writer(part)
            _swap_in(part, target)
        finally:
            shutil.rmtree(part, ignore_errors=True)


def _swap_in(part: Path, target: Path) -> None:
    """Rename the new folder into place; put the old one back if that fails."""
    if not target.exists():
        part.rename(target)
        return
    old = target.with_name(_hidden_name(target.name, "old"))
    target.rename(old)
    try:
        part.rename(target)
    except BaseException:
        old.rename(target)
        raise
    _retire(old, target)


def _retire(old: Path, target: Path) -> None:
    """Carry over what only the old folder has, then remove it."""
    for entry in old.iterdir():
        if not (target / entry.name).exists():
            entry.rename(target / entry.name)
    shutil.rmtree(old, ignore_errors=True)


def _mend_killed_run(target: Path) -> None:
    """Undo what a run that was killed while writing this folder has left."""
    for old in _leftovers(target, "old"):
        if target.exists():
            _retire(old, target)
        else:
            old.rename(target)
    for part in _leftovers(target, "part"):
        shutil.rmtree(part, ignore_errors=True)


def _remove_leftover_files(path: Path) -> None:
    """Remove hidden halves of this file that a killed run has left."""
    for part in _leftovers(path, "part"):
        part.unlink(missing_ok=True)


def _leftovers(target: Path, kind: str) -> list[Path]:
    """Hidden siblings made for this target by earlier runs."""
    start = f".{target.name}.{kind}-"
    return sorted(p for p in target.parent.iterdir() if p.name.startswith(start))


def _hidden_name(name: str, kind: str) -> str:
    """Name for a hidden sibling that no other process uses."""
    return f".{name}.{kind}-{uuid.uuid4().hex[:8]}"


@contextlib.contextmanager
def _as_output_error(target: Path) -> Iterator[None]:
    """Turn an error of the file system into one line with the file and a remedy."""
    try:
        yield
    except BandkitError:
        raise
    except OSError as error:
        number = error.errno or 0
        why = error.strerror or str(error) or type(error).__name__
        inside = Path(str(error.filename)).name if error.filename else target.name
        where = target if inside == target.name or inside.startswith(".") else f"{target} ({inside})"
        remedy = _REMEDIES.get(number, "check the disk or choose another folder with --out")
        msg = f"{where}: cannot be written ({why}): {remedy}; what was there before is kept"
        raise OutputError(msg) from error
