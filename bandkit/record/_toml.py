"""From a file to TOML values, with one-line errors that a person can act on."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from bandkit.errors import RecordError

MOST_BYTES = 5_000_000
BOM = "\ufeff"
_MOST_LINE_SHOWN = 60

# Deeply dotted names (a.a.a...) cost the parser the square of their depth in time and memory.
_DEEP_NAME = re.compile(r"""(?:\.[ \t]*(?:[\w-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*')[ \t]*){32}""")
_POSITION = re.compile(r"\(at line (\d+), column \d+\)")
_TWICE = "the same key or table is given twice; delete one (lists such as [[track]] take double brackets)"

# What a faulty line looks like, and what to do about it; the first that fits is said.
_REMEDIES = (
    (re.compile(r"\d{4}-\d{1,2}-\d{1,2}"), "there is no such date; write dates as 2019-06-15, without quotes"),
    (re.compile(r"\d{1,2}[./]\d{1,2}[./]\d{2,4}"), "write dates as 2019-06-15, year-month-day"),
    (re.compile(r"=\s*-?\d+,\d"), "write a decimal point, not a comma"),
    (re.compile(r"\\"), "write folders with / or put the text in single quotes"),
    (re.compile(r"[\u2018\u2019\u201c\u201d]"), 'write straight quotes (") instead of curly ones'),
    (re.compile(r"=\s*(True|False|yes|no|on|off)\b", re.IGNORECASE), "write true or false in small letters"),
    (re.compile(r"=\s*(#.*)?$"), "write a value after the = or put # before the line"),
    (re.compile(r"=\s*[^\W\d]"), 'put text in quotes: key = "text"'),
    (re.compile(r"^\s*[\w-]+\s*:"), "write key = value, with an equals sign"),
)
_REMEDY = "write key = value, text in quotes, every bracket closed"


def read_text(path: Path) -> str:
    """Read the text of a record exactly as it stands in the file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        Its text, with line ends and a byte order mark kept.

    Raises
    ------
    RecordError
        When the file is not there, cannot be read, is too large or is not UTF-8.
    """
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except FileNotFoundError as error:
        msg = f"{path}: no such file; check the name, or make a record with bandkit new IMAGE"
        raise RecordError(msg, reason="no-record") from error
    except IsADirectoryError as error:
        msg = f"{path}: is a folder; name the record in it, such as {path / 'TB-07.toml'}"
        raise RecordError(msg) from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        msg = f"{path}: cannot be read ({why}); check the name and the permissions"
        raise RecordError(msg) from error
    return _decode(content, path)


def load_toml(text: str, source: str) -> dict[str, Any]:
    """Read the values of a TOML text.

    Parameters
    ----------
    text : str
        The text; a byte order mark at its start is allowed.
    source : str
        Name of the file, for messages.

    Returns
    -------
    dict
        Its values.

    Raises
    ------
    RecordError
        When it is not TOML, or nested too deeply to be a record.
    """
    body = text.removeprefix(BOM)
    if _DEEP_NAME.search(body):
        msg = f"{source}: a name of more than 32 parts; this is not a slab record"
        raise RecordError(msg)
    try:
        return tomllib.loads(body)
    except tomllib.TOMLDecodeError as error:
        raise RecordError(_syntax_message(body, source, error)) from error
    except RecursionError:
        # Not chained: the traceback of a thousand frames helps nobody.
        msg = f"{source}: brackets nested too deeply; this is not a slab record"
        raise RecordError(msg) from None
    except ValueError as error:
        msg = f"{source}: a number of too many digits; write it with a few digits"
        raise RecordError(msg) from error


def _decode(content: bytes, path: Path) -> str:
    """Bytes to text, or an error that says which byte is not UTF-8."""
    if len(content) > MOST_BYTES:
        msg = f"{path}: larger than {MOST_BYTES // 1_000_000} MB; this is not a slab record (is it the image?)"
        raise RecordError(msg)
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"byte {content[error.start]:#04x} at position {error.start} (line {line})"
        msg = f"{path}: not UTF-8 text: {found}; save the file again with the encoding UTF-8"
        raise RecordError(msg) from error


def _syntax_message(body: str, source: str, error: tomllib.TOMLDecodeError) -> str:
    """One line that names file, line, what stands there and what to write."""
    said = " ".join(str(error).split())
    position = _POSITION.search(said)
    problem = said.partition(" (at ")[0]
    # tomllib counts line feeds only, so the text is split the same way.
    lines = body.rstrip().split("\n")
    number = min(int(position[1]), len(lines)) if position else len(lines)
    line = lines[number - 1].strip()
    shown = line if len(line) <= _MOST_LINE_SHOWN else line[: _MOST_LINE_SHOWN - 3] + "..."
    remedy = _syntax_remedy(problem, line, at_end=position is None)
    return f"{source}: line {number}: not valid TOML: {problem}, in {shown!r}; {remedy}"


def _syntax_remedy(problem: str, line: str, *, at_end: bool) -> str:
    """What to do about a line that is not TOML, or about a file that ends too early."""
    if "overwrite" in problem or "twice" in problem or "mutate" in problem:
        return _TWICE
    unclosed = at_end and not line.endswith("=")
    if unclosed or r"'\n'" in problem:
        return "close the bracket or quote that was opened"
    return next((remedy for pattern, remedy in _REMEDIES if pattern.search(line)), _REMEDY)
