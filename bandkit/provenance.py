"""What a result was made from: the record, its image, and the other files that the record draws on."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

from bandkit.images import ImageSource, open_image
from bandkit.record import Record, read_record


def record_hash(record: Record) -> str:
    """Hash of a record's text.

    Parameters
    ----------
    record : Record
        The record.

    Returns
    -------
    str
        SHA-256 in hexadecimal.
    """
    return hashlib.sha256(record.text.encode()).hexdigest()


def other_hashes(record: Record) -> dict[str, Callable[[], str]]:
    """How to get the hashes of files beside the record and its own image.

    Parameters
    ----------
    record : Record
        The record.

    Returns
    -------
    dict
        From the name in the provenance to a function that gives the hash, for each file that the record draws on.
    """
    hashes: dict[str, Callable[[], str]] = {}
    if record.density is not None and record.density.thickness_map is not None:
        path = record.density.thickness_map.path
        hashes["thickness_map_sha256"] = lambda: _image_hash(lambda: open_image(path))
    if record.photograph is not None:
        photograph = record.photograph.path
        hashes["photograph_record_sha256"] = lambda: record_hash(read_record(photograph))
        hashes["photograph_sha256"] = lambda: _image_hash(lambda: open_image(read_record(photograph).image.path))
    return hashes


def hashes_of(record: Record, image: ImageSource) -> dict[str, str]:
    """All hashes for the provenance of a result.

    Parameters
    ----------
    record : Record
        The record.
    image : ImageSource
        Its open image.

    Returns
    -------
    dict
        SHA-256 in hexadecimal, by name.
    """
    others = {name: made() for name, made in other_hashes(record).items()}
    return {"image_sha256": image.sha256(), "record_sha256": record_hash(record), **others}


def _image_hash(opened: Callable[[], ImageSource]) -> str:
    """Hash of an image."""
    with opened() as image:
        return image.sha256()
