"""Slabs measured in several processes; none is lost when one of them dies or a person stops the run."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

from bandkit.batch.slab import Outcome, measure_slab, rejection
from bandkit.errors import InputError

Task = Callable[[Path, Path], Outcome]

# One slab per process already uses every core; threads inside would only get in each other's way,
# and sums in another order would change the last digit.
_THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def measure_in_pool(
    paths: Sequence[Path], out: Path, workers: int, *, task: Task = measure_slab
) -> Generator[Outcome]:
    """Measure slabs in several processes.

    Parameters
    ----------
    paths : sequence of Path
        Records.
    out : Path
        Folder of the batch.
    workers : int
        Number of processes.
    task : callable, optional
        What is done with each record and ``out``; a function that a new process can import.

    Yields
    ------
    Outcome
        One per record, in the order in which they are done.

    Notes
    -----
    When a process dies, the slabs that were in hand are tried once more, each alone;
    one whose process dies again is rejected.
    """
    waiting = deque(paths)
    with _single_threads():
        while waiting:
            for path in (yield from _drain(waiting, out, workers, task)):
                if (yield from _drain(deque([path]), out, 1, task)):
                    yield _died(path)


def _died(path: Path) -> Outcome:
    """Outcome of a slab that its process did not survive."""
    msg = (f"{path}: the process that measured it was stopped from outside, most likely for want of memory; "
           "use fewer --workers or a smaller image")
    return rejection(InputError(msg, reason="process-died"), path)


def _drain(waiting: deque[Path], out: Path, workers: int, task: Task) -> Generator[Outcome, None, list[Path]]:
    """Measure what waits; return what was in hand when a process died."""
    in_hand: dict[Future[Outcome], Path] = {}
    strangers = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"), initializer=_leave_interrupts)
    try:
        while waiting or in_hand:
            # No more than one slab per process is handed out, so that a person who stops the run waits for no others.
            while waiting and len(in_hand) < workers:
                in_hand[_submit(pool, task, waiting[0], out)] = waiting[0]
                waiting.popleft()
            for future in wait(in_hand, return_when=FIRST_COMPLETED).done:
                outcome = future.result()
                del in_hand[future]
                yield outcome
    except BrokenProcessPool:
        return sorted(in_hand.values())
    except KeyboardInterrupt:
        _shut_down(pool, strangers)
        yield from (future.result() for future in in_hand if future.done() and not future.exception())
        raise
    finally:
        _shut_down(pool, strangers)
    return []


def _submit(pool: ProcessPoolExecutor, task: Task, path: Path, out: Path) -> Future[Outcome]:
    """Hand out one slab; this may start a process, which must not take a Ctrl-C meant for this one."""
    with _interrupts_held():
        return pool.submit(task, path, out)


def _shut_down(pool: ProcessPoolExecutor, strangers: set[Any]) -> None:
    """Let the slabs in hand finish, so that their folders are whole; a second Ctrl-C stops them."""
    try:
        pool.shutdown(wait=True, cancel_futures=True)
    except KeyboardInterrupt:
        for process in set(multiprocessing.active_children()) - strangers:
            process.terminate()
        raise


def _leave_interrupts() -> None:
    """In a worker: Ctrl-C is the parent's business."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextlib.contextmanager
def _interrupts_held() -> Iterator[None]:
    """Deliver Ctrl-C only afterwards; a process started meanwhile never gets it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _single_threads() -> Iterator[None]:
    """Ask processes started meanwhile for one thread each; they read this before they load numpy."""
    before = {name: os.environ.get(name) for name in _THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(_THREAD_VARIABLES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
