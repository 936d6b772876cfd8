"""The record's file: made, changed and saved with a person's comments and order kept."""

from __future__ import annotations

import contextlib
import copy
import os
import re
import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bandkit.errors import OutputError, RecordError
from bandkit.record._keys import key_path
from bandkit.record._template import FILL_IN, new_record_text
from bandkit.record._toml import BOM, load_toml, read_text
from bandkit.record.model import Kind, Record
from bandkit.record.parse import parse_record

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

Key = str | int


class RecordFile:
    """A record's file that can be changed; comments and order stay.

    Made by `open` or `create`; `save` writes it. Keys are given as tuples such as
    ``("scale", "bar")`` or ``("track", 0, "width_mm")``, entries of lists counted from 0.

    Parameters
    ----------
    path : Path
        The file.
    text : str
        Its text.
    saved : str or None
        The text that stands on the disk; None where the file is new.
    """

    def __init__(self, path: Path, text: str, saved: str | None) -> None:
        self.path = path
        self._saved = saved
        self._bom = text.startswith(BOM)
        self._crlf = "\r\n" in text and "\n" not in text.replace("\r\n", "")
        self._document = _parse(text.removeprefix(BOM), path)

    @classmethod
    def open(cls, path: str | Path) -> RecordFile:
        """Open a record that exists; it must be TOML but may hold wrong values.

        Parameters
        ----------
        path : path
            The file.

        Returns
        -------
        RecordFile
            Ready to be changed.

        Raises
        ------
        RecordError
            When the file cannot be read or is not TOML.
        """
        path = Path(path)
        text = read_text(path)
        return cls(path, text, text)

    @classmethod
    def create(
        cls, path: str | Path, specimen_id: str, image_file: str, kind: Kind, comment_lines: Iterable[str] = (), *,
        in_volume: bool = False,
    ) -> RecordFile:
        """Start a record that asks, in comments, for what only a person knows.

        Parameters
        ----------
        path : path
            The file to be; nothing is written before `save`, which never overwrites it.
        specimen_id : str
            Id of the specimen.
        image_file : str
            The image, relative to the record.
        kind : {"photograph", "radiograph", "luminescence", "ct"}
            What made the image.
        comment_lines : iterable of str, optional
            Comments at the head of the file.
        in_volume : bool, optional
            Whether the image is a scan, out of which a slab is cut.

        Returns
        -------
        RecordFile
            A record that lacks only what must be filled in: the scale.
        """
        path = Path(path)
        new = cls(path, new_record_text(kind, comment_lines, in_volume=in_volume), None)
        new.set(("specimen", "id"), specimen_id)
        new.set(("image", "file"), image_file)
        new.set(("image", "kind"), kind)
        return new

    @property
    def text(self) -> str:
        """The text as `save` would write it."""
        text = self._document.as_string()
        if self._crlf:
            text = text.replace("\r\n", "\n").replace("\n", "\r\n")
        return (BOM if self._bom else "") + text

    def record(self) -> Record:
        """Check the record as it stands now; the image is not looked for.

        Returns
        -------
        Record
            The checked record.

        Raises
        ------
        RecordError
            As `parse_record` does.
        """
        return parse_record(self.text, self.path)

    def get(self, keys: Sequence[Key], default: Any = None) -> Any:
        """Value of a key.

        Parameters
        ----------
        keys : sequence of str or int
            The way to it.
        default : object, optional
            What to return where it is absent.

        Returns
        -------
        object
            A plain value.
        """
        try:
            return _at(self._document.unwrap(), keys)
        except (KeyError, IndexError, TypeError):
            return default

    def set(self, keys: Sequence[Key], value: Any, *, comment: str | None = None) -> None:
        """Set the value of a key; tables on the way to it are made.

        Parameters
        ----------
        keys : sequence of str or int
            The way to it.
        value : object
            Text, number, date, or lists and dictionaries of such.
        comment : str, optional
            Comment behind it. Where a person has written a comment, that stays. A
            comment that begins with "proposed" goes when the value is set anew.

        Raises
        ------
        RecordError
            When the file's layout does not allow it; nothing is changed then.
        """
        from bandkit.record import _edit

        plain = _edit.plain_value(value)
        expected = self._document.unwrap()
        with self._undone_on_error(keys):
            self._drop_placeholders(keys)
            _edit.set_value(self._document, keys, plain, comment)
            _set_plain(expected, keys, plain)
            self._must_read_as(expected, keys)

    def append(self, name: str, values: Mapping[str, Any], *, comment: str | None = None) -> None:
        """Append an entry to a list such as ``track`` or ``stain``.

        Parameters
        ----------
        name : str
            Name of the list.
        values : mapping
            The entry's keys and values.
        comment : str, optional
            Comment behind its header.

        Raises
        ------
        RecordError
            When the file's layout does not allow it; nothing is changed then.
        """
        from bandkit.record import _edit

        plain = _edit.plain_value(values)
        expected = self._document.unwrap()
        with self._undone_on_error((name,)):
            _edit.append_entry(self._document, name, plain, comment)
            expected.setdefault(name, []).append(plain)
            self._must_read_as(expected, (name,))

    def delete(self, keys: Sequence[Key]) -> None:
        """Delete a key, a table or an entry of a list; nothing happens where it is absent.

        Parameters
        ----------
        keys : sequence of str or int
            The way to it.

        Raises
        ------
        RecordError
            When the file's layout does not allow it; nothing is changed then.
        """
        from bandkit.record import _edit

        expected = self._document.unwrap()
        try:
            _at(expected, keys)
        except (KeyError, IndexError, TypeError):
            return
        with self._undone_on_error(keys):
            _edit.delete_value(self._document, keys)
            parent: Any = _at(expected, keys[:-1])
            del parent[keys[-1]]
            if parent == [] and keys[:-1] == (keys[0],):
                del expected[str(keys[0])]
            self._must_read_as(expected, keys)

    def save(self, *, force: bool = False) -> None:
        """Write the file whole or not at all; an unchanged file is left alone.

        Parameters
        ----------
        force : bool, optional
            True writes over what another program has written since the file was opened.

        Raises
        ------
        OutputError
            When the file cannot be written, is there already although this record is
            new, or has been changed by another program; what was there is kept.
        """
        text = self.text
        if not force:
            self._must_be_as_opened()
        if text != self._saved or force:
            _write_whole(self.path, text)
        self._saved = text

    def _must_be_as_opened(self) -> None:
        """Raise where the file on the disk is not the one that was opened."""
        if not self.path.exists():
            return
        if self._saved is None:
            msg = f"{self.path}: is there already and was not overwritten; choose another name, or change that record"
            raise OutputError(msg)
        if read_text(self.path) != self._saved:
            msg = f"{self.path}: was changed by another program since it was opened, and was kept; open it again"
            raise OutputError(msg)

    def _drop_placeholders(self, keys: Sequence[Key]) -> None:
        """Remove the lines of a new record that ask for these keys."""
        text = self._document.as_string()
        names = "|".join(re.escape(key) for key in keys if isinstance(key, str))
        kept = re.sub(rf"^{FILL_IN}({names}) = .*\n", "", text, flags=re.MULTILINE)
        if kept != text:
            self._document = _parse(kept, self.path)

    @contextlib.contextmanager
    def _undone_on_error(self, keys: Sequence[Key]) -> Iterator[None]:
        """Take a change back where it fails, with one line that says which."""
        import tomlkit.exceptions

        before = self._document.as_string()
        failures = (LookupError, TypeError, ValueError, AttributeError, AssertionError, tomlkit.exceptions.TOMLKitError)
        try:
            yield
        except failures as error:
            self._document = _parse(before, self.path)
            why = " ".join(str(error).split())
            msg = f"{self.path}: {_path_of(keys)}: cannot be changed in this file ({why}); change it by hand"
            raise RecordError(msg) from error

    def _must_read_as(self, expected: dict[str, Any], keys: Sequence[Key]) -> None:
        """Raise where the changed text does not read back as what was meant."""
        if load_toml(self._document.as_string(), str(self.path)) != expected:
            msg = f"the layout round {_path_of(keys)} is unusual"
            raise ValueError(msg)


def _parse(text: str, path: Path) -> TOMLDocument:
    """The document of a text."""
    # Imported here: measuring never writes a record, and tomlkit takes time to load.
    import tomlkit
    import tomlkit.exceptions

    load_toml(text, str(path))
    try:
        return tomlkit.parse(text)
    except (tomlkit.exceptions.TOMLKitError, RecursionError, ValueError) as error:
        msg = f"{path}: cannot be edited by the program ({' '.join(str(error).split())}); change it by hand"
        raise RecordError(msg) from error


def _path_of(keys: Sequence[Key]) -> str:
    """Keys as messages show them, entries counted from 1."""
    path = ""
    for key in keys:
        path = f"{path}[{key + 1}]" if isinstance(key, int) else key_path(path, key)
    return path


def _at(values: Any, keys: Sequence[Key]) -> Any:
    """The value that keys lead to."""
    for key in keys:
        values = values[key]
    return values


def _set_plain(values: Any, keys: Sequence[Key], value: Any) -> None:
    """Set a value in plain dictionaries and lists."""
    for key in keys[:-1]:
        values = values.setdefault(key, {}) if isinstance(values, dict) else values[key]
    values[keys[-1]] = copy.deepcopy(value)


def _write_whole(path: Path, text: str) -> None:
    """Write a file under another name in its folder, force it to the disk and rename it."""
    try:
        # A link stays a link: the file that it points to is replaced.
        target = path.resolve()
        part = target.with_name(f".{target.name}.part-{os.urandom(4).hex()}")
        content = text.encode("utf-8")
        try:
            with part.open("xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            if target.exists():
                part.chmod(stat.S_IMODE(target.stat().st_mode))
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    except (OSError, RuntimeError, UnicodeEncodeError) as error:
        why = getattr(error, "strerror", None) or str(error)
        msg = f"{path}: cannot be written ({why}); check the folder and the disk; what was there before is kept"
        raise OutputError(msg) from error
