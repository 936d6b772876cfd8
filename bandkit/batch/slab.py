"""One slab of a batch: measured where anything changed, its errors kept as an outcome."""

from __future__ import annotations

import json
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bandkit._version import __version__
from bandkit.errors import BandkitError, InputError
from bandkit.images.slab import open_slab
from bandkit.output import slab_folder
from bandkit.output.document import RESULT_FILE
from bandkit.output.slab import FIGURE_FILE, REPORT_FILE
from bandkit.output.tables import TABLE_FILES, TABLES_WITH_ROWS
from bandkit.provenance import other_hashes, record_hash
from bandkit.record import Record, read_record

DEFECT = "defect"
EXIT_DONE, EXIT_DEFECT = 0, 1

# Tables that are written only where they have rows may be absent from a whole folder.
_FOLDER_FILES = (RESULT_FILE, FIGURE_FILE, REPORT_FILE,
                 *(file for name, file in TABLE_FILES.items() if name not in TABLES_WITH_ROWS))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one record; sent from a worker to its parent.

    Parameters
    ----------
    record : Path
        The record.
    folder : Path or None
        The slab's folder; None where it was rejected.
    unchanged : bool
        Whether the folder was there already.
    reason, detail : str
        Code and message of the error; empty where there is none.
    exit_code : int
        Exit status that this slab alone would end a command with.
    traceback : str
        For a defect of ours.
    """

    record: Path
    folder: Path | None = None
    unchanged: bool = False
    reason: str = ""
    detail: str = ""
    exit_code: int = EXIT_DONE
    traceback: str = ""


def measure_slab(path: Path, out: Path) -> Outcome:
    """Measure one slab if anything changed, and write its folder.

    Parameters
    ----------
    path : Path
        Its record.
    out : Path
        Folder of the batch.

    Returns
    -------
    Outcome
        The slab's folder, or why there is none: an error here never stops the other slabs.
    """
    try:
        record = read_record(path)
        folder = slab_folder(out, record.specimen.id)
        if _is_unchanged(record, folder):
            return Outcome(record=path, folder=folder, unchanged=True)
        # Imported here: a second run over unchanged slabs needs none of the measuring.
        from bandkit.pipeline import measure

        return Outcome(record=path, folder=measure(record).write(out))
    except BandkitError as error:
        return rejection(error, path)
    except MemoryError:
        msg = f"{path}: not enough memory for this image; close other programs or use fewer --workers"
        return rejection(InputError(msg, reason="out-of-memory"), path)
    except Exception as error:
        detail = f"{path}: a defect in bandkit, not in the slab: {type(error).__name__}: {error}"
        return Outcome(record=path, reason=DEFECT, detail=" ".join(detail.split()), exit_code=EXIT_DEFECT,
                        traceback=traceback.format_exc())


def rejection(error: BandkitError, path: Path) -> Outcome:
    """Outcome of a record that cannot be measured.

    Parameters
    ----------
    error : BandkitError
        What is wrong.
    path : Path
        The record.

    Returns
    -------
    Outcome
        The error's reason, message and exit status.
    """
    return Outcome(record=path, reason=error.reason, detail=str(error), exit_code=error.exit_code)


def _is_unchanged(record: Record, folder: Path) -> bool:
    """Whether the folder is complete and made by this version from the same record and image."""
    made_from = provenance_of(folder)
    if made_from.get("version") != __version__ or made_from.get("record_sha256") != record_hash(record):
        return False
    if not all((folder / name).is_file() for name in _FOLDER_FILES):
        return False
    with open_slab(record) as image:
        if made_from.get("image_sha256") != image.sha256():
            return False
    return all(made_from.get(name) == made() for name, made in other_hashes(record).items())


def provenance_of(folder: Path) -> dict[str, Any]:
    """What a slab's folder was made from.

    Parameters
    ----------
    folder : Path
        The slab's folder.

    Returns
    -------
    dict
        Version, hashes of image and record; empty where there is no result or it is damaged.
    """
    try:
        provenance = json.loads((folder / RESULT_FILE).read_bytes())["provenance"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return provenance if isinstance(provenance, dict) else {}
