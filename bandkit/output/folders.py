"""Where a slab's outputs lie: one folder per specimen, named after it."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

from bandkit.results import SlabResult

# Not allowed in a file name on at least one common system, or hidden, or taken by the batch's own files.
_UNSAFE = re.compile(r'[\x00-\x1f\x7f<>:"/\\|?*]|^\.|[. ]$|^\s')
_TAKEN = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?|.*\.(csv|html)", re.IGNORECASE)
_MAX_NAME_BYTES = 120


def folder_name(specimen_id: str) -> str:
    """Name of the folder of a specimen.

    Parameters
    ----------
    specimen_id : str
        The id in the record.

    Returns
    -------
    str
        The id itself where every common system takes it as a folder name; else the
        id with those characters replaced and a short checksum, so that two ids never
        share a folder.
    """
    too_long = len(specimen_id.encode("utf-8")) > _MAX_NAME_BYTES
    if specimen_id and not too_long and not _UNSAFE.search(specimen_id) and not _TAKEN.fullmatch(specimen_id):
        return specimen_id
    plain = re.sub(r"[^A-Za-z0-9_-]+", "_", specimen_id)[:40].strip("_") or "slab"
    return f"{plain}-{hashlib.sha256(specimen_id.encode('utf-8')).hexdigest()[:6]}"


def slab_folder(out: Path, specimen_id: str) -> Path:
    """Folder that receives the outputs of a specimen.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    specimen_id : str
        The id in the record.

    Returns
    -------
    Path
        The folder below ``out``.
    """
    return out / folder_name(specimen_id)


def specimen_id(result: SlabResult) -> str:
    """Id of the specimen that a result belongs to.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    str
        The id in its record.
    """
    value: Any = result.specimen["id"]
    return str(value)


def slab_name(slab: SlabResult | Path) -> str:
    """Name of a slab's folder, from memory or from the folder itself.

    Parameters
    ----------
    slab : SlabResult or Path
        A result or a slab's folder.

    Returns
    -------
    str
        The folder's name.
    """
    return slab.name if isinstance(slab, Path) else folder_name(specimen_id(slab))
