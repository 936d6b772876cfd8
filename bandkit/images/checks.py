"""Errors, limits and small checks that the readers of all formats share."""

from __future__ import annotations

import logging
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bandkit.errors import BandkitError, ImageReadError

CODECS_EXTRA = 'pip install "bandkit[tiff]"'


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn whatever a library raises over a file into one clear error, and keep its warnings quiet.

    Parameters
    ----------
    path : Path
        The file, named first in the message.

    Yields
    ------
    None
        The block in which the libraries are called.

    Raises
    ------
    ImageReadError
        Anything went wrong inside the block.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except BandkitError:
        raise
    except MemoryError as err:
        msg = f"{path}: not enough memory to decode the image; save it as tiled TIFF, of which parts can be read"
        raise ImageReadError(msg, reason="out-of-memory") from err
    # Damaged files make these libraries raise nearly every class there is, down to AttributeError.
    except Exception as err:
        said = " ".join(str(err).split())[:120] or type(err).__name__
        if "imagecodecs" in said:
            raise missing_codecs(path, "this kind of TIFF") from err
        if "truncated" in said.lower():
            raise truncated(path) from err
        msg = f"{path}: the image cannot be decoded ({said}); it may be damaged: copy it again or save it anew as TIFF"
        raise ImageReadError(msg) from err


def missing_codecs(path: Path, what: str) -> ImageReadError:
    """Return the error for a file that needs the optional decoders.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What in it needs them.

    Returns
    -------
    ImageReadError
        Its message names the extra to install.
    """
    msg = f"{path}: {what} needs the package imagecodecs: {CODECS_EXTRA}"
    return ImageReadError(msg, reason="missing-extra")


def truncated(path: Path) -> ImageReadError:
    """Return the error for a file that ends too early.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    ImageReadError
        With the reason ``truncated-image``.
    """
    msg = f"{path}: the file ends before the part of the image that is needed; copy it again from where it was scanned"
    return ImageReadError(msg, reason="truncated-image")


def unsupported(path: Path, what: str, remedy: str) -> ImageReadError:
    """Return the error for an image that is in order but cannot be measured here.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it holds.
    remedy : str
        What to do instead.

    Returns
    -------
    ImageReadError
        With the reason ``unsupported-image``.
    """
    return ImageReadError(f"{path}: {what}; {remedy}", reason="unsupported-image")


def check_size(path: Path, width_px: int, height_px: int, most_px: float) -> None:
    """Refuse an image that is empty or larger than can be meant.

    Parameters
    ----------
    path : Path
        The file.
    width_px, height_px : int
        Size that the file declares.
    most_px : float
        Most pixels allowed.

    Raises
    ------
    ImageReadError
        The image is empty, or too large.
    """
    if width_px < 1 or height_px < 1:
        msg = f"{path}: the image is empty, {width_px} x {height_px} px; save it anew"
        raise ImageReadError(msg)
    if width_px * height_px > most_px:
        msg = (
            f"{path}: the file declares {width_px} x {height_px} px, more than the {most_px / 1e6:.0f} million "
            "that are read; cut or shrink the image, or save it as tiled TIFF"
        )
        raise ImageReadError(msg, reason="image-too-large")


def mm_per_px(x_px_per_unit: float, y_px_per_unit: float, unit_mm: float) -> tuple[float, float] | None:
    """Turn a stated resolution into millimetres per pixel.

    Parameters
    ----------
    x_px_per_unit, y_px_per_unit : float
        Pixels per unit of length.
    unit_mm : float
        The unit, in mm.

    Returns
    -------
    (float, float) or None
        None where a value is not a positive number.
    """
    stated = (float(x_px_per_unit), float(y_px_per_unit))
    if not all(math.isfinite(value) and value > 0 for value in stated):
        return None
    return (unit_mm / stated[0], unit_mm / stated[1])


def quiet_logs(name: str) -> None:
    """Keep a library from writing to the terminal; handlers set by the caller still get its messages.

    Parameters
    ----------
    name : str
        Name of its logger.
    """
    logger = logging.getLogger(name)
    if not any(isinstance(handler, logging.NullHandler) for handler in logger.handlers):
        logger.addHandler(logging.NullHandler())
