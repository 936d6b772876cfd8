"""What stands in for measuring a slab in the tests of several processes; new processes import it by name."""

from __future__ import annotations

import os
import time
from pathlib import Path

from bandkit.batch.slab import Outcome


def note_threads(path: Path, out: Path) -> Outcome:
    """Write down how many threads this process may use."""
    (out / path.stem).write_text(os.environ["OMP_NUM_THREADS"])
    return Outcome(record=path, folder=out / path.stem)


def die_on_tb13(path: Path, out: Path) -> Outcome:
    """Die without a word on one record, as a process does that takes too much memory."""
    if path.stem == "TB-13":
        os._exit(9)
    time.sleep(0.1)
    return Outcome(record=path, folder=out / path.stem)


def die_once(path: Path, out: Path) -> Outcome:
    """Die at the first try of one record and measure it at the second."""
    tried = out / "tried"
    if path.stem == "TB-13" and not tried.exists():
        tried.touch()
        os._exit(9)
    return Outcome(record=path, folder=out / path.stem)


def take_a_second(path: Path, out: Path) -> Outcome:
    """Leave a mark at the beginning and one at the end."""
    (out / f"{path.stem}.begun").touch()
    time.sleep(1.0)
    (out / f"{path.stem}.done").touch()
    return Outcome(record=path, folder=out / path.stem)
