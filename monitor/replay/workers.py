"""Several replays at a time, each in a process of its own, where that pays; the same results in the same order."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import TypeVar

from monitor.model.errors import LeeswatchError

PAYS = 4_000_000  # bytes to go through in all: less is done before the processes have loaded the program
NEEDS = 80_000_000  # bytes of memory of a process before it reads anything
NEEDS_A_BYTE = 4  # and for each byte of the recording
MEMORY = Path("/proc/meminfo")

J = TypeVar("J")
R = TypeVar("R")
Progress = Callable[[int, int], None]


def run_all(
    run: Callable[[J], R], todo: Sequence[J], sizes: Sequence[int], jobs: int | None, progress: Progress | None
) -> list[R]:
    """Results in the order of `todo`; `sizes` are the bytes each goes through. `progress` hears how many are done."""
    count = min(how_many(sizes) if jobs is None else jobs, len(todo))
    if count > 1:
        return _in_processes(run, todo, count, progress)
    found = []
    for number, job in enumerate(todo):
        if progress is not None:
            progress(number, len(todo))
        found.append(run(job))
    return found


def how_many(sizes: Sequence[int], memory: int | None = None) -> int:
    """How many at a time: one a processor, as far as half of the free memory holds them; one where it does not pay."""
    if sum(sizes) < PAYS:
        return 1
    each = NEEDS + NEEDS_A_BYTE * max(sizes)
    return max(1, min(os.cpu_count() or 1, (free_memory() if memory is None else memory) // 2 // each))


def free_memory() -> int:
    """Bytes that can be had without swapping; where nobody says, enough for two small ones."""
    try:
        lines = MEMORY.read_text(encoding="ascii").splitlines()
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:"))
    except (OSError, ValueError, LookupError, StopIteration):
        return 4 * NEEDS


def _in_processes(run: Callable[[J], R], todo: Sequence[J], count: int, progress: Progress | None) -> list[R]:
    others = set(multiprocessing.active_children())
    # Spawned, not forked: a fork would share this process's threads' locks and open files.
    pool = ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), initializer=_begin)
    try:
        futures = _submitted(pool, run, todo)
        for number, future in enumerate(as_completed(futures)):
            _result(future)  # its error, if it has one, ends the others
            if progress is not None:
                progress(number + 1, len(todo))
        return [_result(future) for future in futures]
    except BrokenProcessPool as error:
        raise LeeswatchError(
            "a replay was ended from outside, perhaps for want of memory", "run one at a time: --jobs 1"
        ) from error
    except BaseException:  # Ctrl-C too: what has begun is of no use any more
        for process in set(multiprocessing.active_children()) - others:
            process.terminate()
        pool.shutdown(cancel_futures=True)
        raise
    finally:
        pool.shutdown()


def _submitted(pool: ProcessPoolExecutor, run: Callable[[J], R], todo: Sequence[J]) -> list[Future[R | _Failed]]:
    """Hand out the work. Processes that start meanwhile take over the mask: Ctrl-C is the first one's to answer."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        return [pool.submit(_guarded, run, job) for job in todo]
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _result(future: Future[R | _Failed]) -> R:
    result = future.result()
    if isinstance(result, _Failed):
        raise LeeswatchError(result.what, result.remedy)
    return result


class _Failed:
    """An error of ours as two sentences: the exceptions themselves do not travel between processes."""

    def __init__(self, error: LeeswatchError) -> None:
        self.what, self.remedy = error.what, error.remedy


def _guarded(run: Callable[[J], R], job: J) -> R | _Failed:
    try:
        return run(job)
    except LeeswatchError as error:
        return _Failed(error)


def _begin() -> None:
    """In each process: where the first one is gone there is nobody to work for."""
    threading.Thread(target=_end_with_the_first, daemon=True).start()


def _end_with_the_first() -> None:
    first = multiprocessing.parent_process()
    if first is not None:
        first.join()
        os._exit(1)
