"""Changing a TOML document without disturbing what a person wrote in it.

tomlkit keeps comments and order, but puts a new key or entry behind the comments that
head the *next* table, and rewrites lists as a whole. The functions here put things
where a person would, and change lists entry by entry.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, MutableMapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Array, Comment, InlineTable, Item, Table, Whitespace

_LONGEST_LINE = 100
_PROPOSED = re.compile(r"#\s*proposed\b")

Key = str | int


def plain_value(value: Any) -> Any:
    """A value as TOML knows it.

    Parameters
    ----------
    value : object
        Text, numbers (also of numpy), dates, tuples and lists, dictionaries.

    Returns
    -------
    object
        The same with tuples and arrays as lists and numpy numbers as Python's own.

    Raises
    ------
    TypeError
        For None: a key that is not given is deleted, not set.
    """
    if value is None:
        msg = "value: None cannot be written; delete the key instead"
        raise TypeError(msg)
    if isinstance(value, Mapping):
        return {str(key): plain_value(inner) for key, inner in value.items()}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        return [plain_value(inner) for inner in value]
    return value


def set_value(document: Any, keys: Sequence[Key], value: Any, comment: str | None) -> None:
    """Set one value, keeping its comments.

    Parameters
    ----------
    document : tomlkit document
        Changed in place.
    keys : sequence of str or int
        The way to the value; entries of lists are counted from 0.
    value : object
        A value from `plain_value`.
    comment : str or None
        Comment behind the value. A person's own comment there wins over it; a comment
        that begins with "proposed" goes when the value is set anew.
    """
    parent, line = _walk(document, keys[:-1])
    _put(parent, keys[-1], value)
    if line is None:
        line = _line_item(parent, keys[-1])
    if isinstance(line, Item):
        _comment(line, comment)


def append_entry(document: Any, name: str, values: Mapping[str, Any], comment: str | None) -> None:
    """Append an entry to a list of tables such as ``[[track]]``.

    Parameters
    ----------
    document : tomlkit document
        Changed in place.
    name : str
        Name of the list.
    values : mapping
        Values from `plain_value`.
    comment : str or None
        Comment behind the entry's header.
    """
    entry = tomlkit.table()
    for key, value in values.items():
        entry.append(key, _new_item(value))
    _comment(entry, comment)
    entries = document.get(name)
    if isinstance(entries, Array):
        entries.append(_new_item(dict(values)))
    elif isinstance(entries, AoT) and len(entries):
        # What follows the last entry after a blank line heads the next table: it stays last.
        tail = _take_tail(entries[-1])
        entry.trivia.indent = "\n"
        entries.append(entry)
        _give_tail(entries[-1], tail)
    else:
        document.pop(name, None)
        entries = tomlkit.aot()
        entries.append(entry)
        document.append(name, entries)


def delete_value(document: Any, keys: Sequence[Key]) -> None:
    """Delete one value; comments that head the next table stay.

    Parameters
    ----------
    document : tomlkit document
        Changed in place.
    keys : sequence of str or int
        The way to the value; entries of lists are counted from 0.
    """
    parent, _ = _walk(document, keys[:-1])
    last = keys[-1]
    before = _table_before(document, parent, keys)
    tail = _take_tail(parent[last])
    del parent[last]
    if isinstance(parent, AoT) and not len(parent):
        del document[keys[0]]
    _give_tail(before, tail)


def _walk(document: Any, keys: Sequence[Key]) -> tuple[Any, Item | None]:
    """The container that the keys lead to, and the line that it stands on if it is inside one."""
    here, line = document, None
    for key in keys:
        if isinstance(key, str) and key not in here:
            _put(here, key, {})
        if line is None:
            line = _line_item(here, key)
        here = here[key]
    return here, line


def _line_item(parent: Any, key: Key) -> Item | None:
    """The item that owns the line's comment: a value in a table with a header; None for such tables."""
    if isinstance(parent, (InlineTable, Array)):
        return None
    item = parent[key]
    return None if isinstance(item, (Table, AoT)) or not isinstance(item, Item) else item


def _put(parent: Any, key: Key, value: Any) -> None:
    """Set a value in a container; what is there already is changed part by part."""
    if isinstance(key, int) and not 0 <= key < len(parent):
        msg = f"there is no entry {key + 1} in a list of {len(parent)}"
        raise IndexError(msg)
    if isinstance(key, str) and key not in parent:
        _add(parent, key, value)
    elif not _changed_in_place(parent[key], value):
        parent[key] = _new_item(value)


def _changed_in_place(old: Any, value: Any) -> bool:
    """Give an item that is there a new value without replacing it; False where that cannot be done."""
    if isinstance(value, dict) and isinstance(old, MutableMapping):
        for gone in [inner for inner in old if inner not in value]:
            del old[gone]
        for inner, new in value.items():
            _put(old, inner, new)
        return True
    if isinstance(value, list) and value and isinstance(old, Array) and len(old):
        _put_list(old, value)
        return True
    if isinstance(value, list) and isinstance(old, AoT) and len(old) == len(value):
        for index, new in enumerate(value):
            _put(old, index, new)
        return True
    same = old.unwrap() if hasattr(old, "unwrap") else old
    return type(same) is type(value) and bool(same == value)


def _put_list(old: Array, value: list[Any]) -> None:
    """Change a list entry by entry, so that comments beside its entries stay."""
    for index, new in enumerate(value[: len(old)]):
        _put(old, index, new)
    for new in value[len(old) :]:
        old.append(_new_item(new))
    while len(old) > len(value):
        del old[-1]


def _add(parent: Any, key: str, value: Any) -> None:
    """Add a new key to a container, before the comments that head the next table."""
    if isinstance(parent, Table):
        has_tables = _last_table(parent) is not parent
        tail = [] if has_tables else _take_tail(parent)
        parent.append(key, _new_item(value))
        _give_tail(parent, tail)
    elif isinstance(parent, tomlkit.TOMLDocument) and isinstance(value, dict):
        section = tomlkit.table()
        for inner, new in value.items():
            section.append(inner, _new_item(new))
        parent.append(key, section)
    else:
        parent[key] = _new_item(value)


def _last_table(item: Any) -> Table | None:
    """The table that holds the last line of an item, or None where it is no table."""
    if isinstance(item, AoT):
        return _last_table(item[-1]) if len(item) else None
    if not isinstance(item, Table):
        return None
    below = next((inner for key, inner in reversed(item.value.body) if key is not None), None)
    return _last_table(below) or item


def _take_tail(item: Any) -> list[Any]:
    """Take off what heads the next table: all from the first blank line below the last key on.

    Comments right below the last key belong to it; where no blank line parts them from
    the next table, they are taken to belong to that.
    """
    table = _last_table(item)
    if table is None:
        return []
    body = table.value.body
    start = len(body)
    while start and isinstance(body[start - 1][1], (Comment, Whitespace)):
        start -= 1
    start += next((i for i, (_, loose) in enumerate(body[start:]) if isinstance(loose, Whitespace)), 0)
    tail = list(body[start:])
    del body[start:]
    return tail


def _give_tail(item: Any, tail: list[Any]) -> None:
    """Put back what `_take_tail` took, at the end of a table or of the document."""
    table = _last_table(item)
    body = item.body if table is None else table.value.body
    body.extend(tail)


def _table_before(document: Any, parent: Any, keys: Sequence[Key]) -> Any:
    """The table that ends where a table to be deleted begins; the document where there is none."""
    last = keys[-1]
    if isinstance(parent, Table):
        return parent
    if isinstance(parent, AoT) and isinstance(last, int) and last > 0:
        return parent[last - 1]
    before = document
    for key, item in document.body:
        if key is not None and key.key == keys[0]:
            break
        before = item if isinstance(item, (Table, AoT)) else before
    return before


def _new_item(value: Any) -> Item:
    """A value as it stands behind a key: tables inline, long lists one entry a line."""
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        for key, inner in value.items():
            inline.append(key, _new_item(inner))
        return inline
    if isinstance(value, list):
        array = tomlkit.array()
        for inner in value:
            array.append(_new_item(inner))
        nested = any(isinstance(inner, (dict, list)) for inner in value)
        return array.multiline(nested and len(array.as_string()) > _LONGEST_LINE)
    item: Item = tomlkit.item(value)
    return item


def _comment(item: Item, comment: str | None) -> None:
    """Set the comment of a line; a person's own stays, an outdated proposal goes."""
    old = item.trivia.comment
    if old and not _PROPOSED.match(old):
        return
    if comment:
        item.comment(_one_line(comment))
        item.trivia.comment_ws = "  "
    elif old:
        item.trivia.comment_ws, item.trivia.comment = "", ""


def _one_line(comment: str) -> str:
    """A comment without line breaks."""
    return " ".join(comment.split())
