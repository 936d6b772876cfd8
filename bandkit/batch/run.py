"""A batch from its records to its tables."""

from __future__ import annotations

import contextlib
import os
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from bandkit.batch.folders import earlier_rejections, record_name, record_path, stale_folders, table_folders
from bandkit.batch.pool import measure_in_pool
from bandkit.batch.slab import EXIT_DEFECT, EXIT_DONE, Outcome, measure_slab, rejection
from bandkit.errors import BandkitError, InputError, OutputError, RecordError
from bandkit.output import Rejection, slab_folder, write_batch_tables, write_index
from bandkit.record import read_record

Progress = Callable[[int, int], None]

EXIT_PART_REJECTED = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSummary:
    """What became of the records of a batch.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    index : Path
        The page with every slab's key numbers.
    measured, skipped : tuple of Path
        Folders of the slabs measured now, and of those that had not changed; sorted.
    rejected : tuple of Rejection
        Records that could not be measured; sorted.
    notices : tuple of str
        What a person should know about folders that are left out of the batch tables.
    interrupted : bool
        Whether a person stopped the run; what is in the tables is whole.
    exit_code : int
        Exit status that a command should end with.
    tracebacks : tuple of str
        One for each defect of ours.
    """

    out: Path
    index: Path
    measured: tuple[Path, ...]
    skipped: tuple[Path, ...]
    rejected: tuple[Rejection, ...]
    notices: tuple[str, ...]
    interrupted: bool
    exit_code: int
    tracebacks: tuple[str, ...]


def find_records(paths: Iterable[str | Path]) -> list[Path]:
    """Put the records in folders in the place of the folders.

    Parameters
    ----------
    paths : iterable of path
        Records, or folders with records (``*.toml``) in them.

    Returns
    -------
    list of Path
        Each record once, in the order given; those of a folder by name.

    Raises
    ------
    InputError
        When a folder has no record in it.
    """
    found: dict[Path, Path] = {}
    for path in map(Path, paths):
        inside = sorted(path.glob("*.toml")) if path.is_dir() else [path]
        if not inside:
            msg = f"{path}: no record (*.toml) in this folder; make one with: bandkit new IMAGE"
            raise InputError(msg, reason="no-record")
        for record in inside:
            found.setdefault(record.resolve(), record)
    return list(found.values())


def measure_batch(
    record_paths: Iterable[str | Path], out: str | Path, *, workers: int = 1, progress: Progress | None = None
) -> BatchSummary:
    """Measure every slab that changed and write the batch's tables and page.

    Parameters
    ----------
    record_paths : iterable of path
        Records, or folders with records in them.
    out : path
        Receives one folder per specimen and the tables of the batch.
    workers : int, optional
        Number of processes; 1 measures in this one.
    progress : callable, optional
        Called with the number of records done and of all.

    Returns
    -------
    BatchSummary
        Slabs measured, unchanged and rejected. A slab that fails never stops the rest.

    Raises
    ------
    InputError
        When there is no record, or fewer than one worker.
    OutputError
        When ``out`` cannot be written.

    Notes
    -----
    The tables hold every slab whose folder is in ``out``, also those of earlier runs,
    but for the slabs whose record is rejected now: their folders stay, their rows do not.
    """
    out = Path(out)
    records = find_records(record_paths)
    if not records:
        msg = "records: none given; name one or more records or a folder with records"
        raise InputError(msg, reason="no-record")
    if workers < 1:
        msg = f"workers: must be 1 or more, got {workers}"
        raise InputError(msg)
    _make_folder(out)
    outcomes, interrupted = _measure_records(records, out, workers, progress or (lambda _done, _all: None))
    return _finish(out, records, outcomes, interrupted=interrupted)


def _make_folder(out: Path) -> None:
    """Make the folder of the batch now: better than to fail after an hour of measuring."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        writable = os.access(out, os.W_OK)
    except OSError as error:
        msg = f"{out}: cannot be made ({error.strerror or error}); choose another folder with --out"
        raise OutputError(msg) from error
    if not writable:
        msg = f"{out}: you may not write here; choose another folder with --out"
        raise OutputError(msg)


def _measure_records(
    records: Sequence[Path], out: Path, workers: int, progress: Progress
) -> tuple[list[Outcome], bool]:
    """Outcome of every record that was come to, and whether a person stopped the run."""
    outcomes: list[Outcome] = []
    try:
        duplicates = _duplicates(records, out)
        outcomes += duplicates
        progress(len(outcomes), len(records))
        refused = {outcome.record for outcome in duplicates}
        paths = [path for path in records if path not in refused]
        with contextlib.closing(_measure_each(paths, out, min(workers, len(paths)))) as measuring:
            for outcome in measuring:
                outcomes.append(outcome)
                progress(len(outcomes), len(records))
    except KeyboardInterrupt:
        return outcomes, True
    return outcomes, False


def _duplicates(records: Sequence[Path], out: Path) -> list[Outcome]:
    """Reject records that would share a folder: which of them is right only a person knows."""
    sharing: dict[str, list[tuple[Path, str]]] = defaultdict(list)
    for path in records:
        # What is wrong with a record is said when its turn comes.
        with contextlib.suppress(BandkitError):
            specimen = read_record(path).specimen.id
            # Some disks take names that differ only in case or accents' spelling for the same.
            name = unicodedata.normalize("NFC", slab_folder(out, specimen).name).casefold()
            sharing[name].append((path, specimen))
    return [
        rejection(RecordError(_duplicate_message(path, specimen, alike), reason="duplicate-id"), path)
        for alike in sharing.values() if len(alike) > 1
        for path, specimen in alike
    ]


def _duplicate_message(path: Path, specimen: str, alike: list[tuple[Path, str]]) -> str:
    """Name the other records with the same id."""
    others = ", ".join(str(other) for other, _ in alike if other != path)
    return f'{path}: specimen.id: "{specimen}" is also the id in {others}; give each slab its own id'


def _measure_each(paths: Sequence[Path], out: Path, workers: int) -> Generator[Outcome]:
    """Measure in this process, or in several."""
    if workers > 1:
        yield from measure_in_pool(paths, out, workers)
    else:
        for path in paths:
            yield measure_slab(path, out)



def _finish(out: Path, records: Sequence[Path], outcomes: Sequence[Outcome], *, interrupted: bool) -> BatchSummary:
    """Write the tables and the page from the folders, and sum up."""
    done = {outcome.folder: outcome.unchanged for outcome in outcomes if outcome.folder is not None}
    failed = [outcome for outcome in outcomes if outcome.reason]
    rejected = sorted(Rejection(record_name(o.record, out), o.reason, o.detail) for o in failed)
    earlier = earlier_rejections(out, records)
    stale = stale_folders(out, [*(o.record for o in failed), *(record_path(row.record, out) for row in earlier)])
    folders, notices = table_folders(out, done, stale)
    write_batch_tables(out, folders, [*rejected, *earlier])
    index = write_index(out, folders, [*rejected, *earlier])
    return BatchSummary(
        out=out,
        index=index,
        measured=tuple(sorted(folder for folder, unchanged in done.items() if not unchanged)),
        skipped=tuple(sorted(folder for folder, unchanged in done.items() if unchanged)),
        rejected=tuple(rejected),
        notices=tuple(notices),
        interrupted=interrupted,
        exit_code=_exit_code(failed, len(records)),
        tracebacks=tuple(o.traceback for o in failed if o.traceback),
    )


def _exit_code(failed: Sequence[Outcome], n_records: int) -> int:
    """Exit status: a defect of ours before all, the error's own where there is one record only."""
    codes = {outcome.exit_code for outcome in failed}
    if not codes or EXIT_DEFECT in codes:
        return EXIT_DEFECT if codes else EXIT_DONE
    return codes.pop() if n_records == 1 else EXIT_PART_REJECTED
