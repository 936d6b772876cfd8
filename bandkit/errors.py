"""The errors that bandkit raises on purpose.

A caller can tell them apart by class; a person reads the message; a batch table
keeps the short ``reason``::

    Exception
    └── BandkitError                     anything below: never a traceback for the user
        ├── InputError (ValueError)      a value given by a person or a caller is wrong
        │   ├── RecordError              the slab record: key, value, remedy
        │   ├── ScaleError               no scale, two scales, a bar that is not there
        │   └── CalibrationError         standards that cannot carry a density
        ├── ImageReadError (OSError)     an image that cannot be opened or decoded
        ├── OutputError (OSError)        an output that cannot be written whole
        └── DetectionError               it ran, but there is nothing to measure

Messages say what is wrong (file and key first), the value found, and what to do.
"""

from __future__ import annotations

from typing import ClassVar


class BandkitError(Exception):
    """Base of all errors that bandkit raises on purpose.

    Parameters
    ----------
    message : str
        One line: what is wrong, the value found, what to do next.
    reason : str, optional
        Short code for batch tables; the class's own code where absent.

    Attributes
    ----------
    exit_code : int
        Exit status of the command line when this error ends a command.
    reason : str
        Short code for batch tables.
    """

    exit_code: ClassVar[int] = 3
    default_reason: ClassVar[str] = "error"

    def __init__(self, message: str, *, reason: str | None = None) -> None:
        super().__init__(message)
        self.reason = reason or self.default_reason


class InputError(BandkitError, ValueError):
    """A value given by a person or a caller is wrong."""

    default_reason = "bad-input"


class RecordError(InputError):
    """A slab record that cannot be read, or a key in it that is wrong."""

    default_reason = "bad-record"


class ScaleError(InputError):
    """Millimetres per pixel cannot be established."""

    default_reason = "no-scale"


class CalibrationError(InputError):
    """The standards in the image cannot carry a density."""

    default_reason = "bad-calibration"


class ImageReadError(BandkitError, OSError):
    """An image that cannot be opened or decoded."""

    default_reason = "unreadable-image"


class OutputError(BandkitError, OSError):
    """An output that cannot be written whole."""

    default_reason = "cannot-write"


class DetectionError(BandkitError):
    """The slab was read, but nothing on it could be measured."""

    exit_code = 4
    default_reason = "nothing-measured"


class BandkitWarning(UserWarning):
    """Allowed, but unwise; the message says why."""
