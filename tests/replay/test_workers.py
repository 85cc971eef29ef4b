"""Several at a time: how many, the same results in the same order, and what ends them."""

import multiprocessing
import os
from pathlib import Path

import pytest

from monitor.model.errors import LeeswatchError, RecordingError
from monitor.replay import workers
from monitor.replay.workers import NEEDS, PAYS, free_memory, how_many, run_all

JOBS = [5, 3, 8, 1, 9, 2]
SIZES = [1] * len(JOBS)


def square(number: int) -> tuple[int, int]:
    """Which process, and a result."""
    return os.getpid(), number * number


def fails(number: int) -> int:
    """An error of ours whose own form has more parts than its words."""
    if number == JOBS[2]:
        raise RecordingError("a.csv", 7, "a bad line", "correct it")
    return number


def dies(number: int) -> int:
    """As where the system wants its memory back."""
    if number == JOBS[2]:
        os._exit(9)
    return number


def test_results_come_in_order_whoever_made_them() -> None:
    """Two at a time say what one at a time says, in processes of their own."""
    done: list[tuple[int, int]] = []
    one = run_all(square, JOBS, SIZES, 1, None)
    two = run_all(square, JOBS, SIZES, 2, lambda number, total: done.append((number, total)))

    assert [result for _, result in two] == [result for _, result in one] == [number**2 for number in JOBS]
    assert {process for process, _ in one} == {os.getpid()}
    assert os.getpid() not in {process for process, _ in two}
    assert done == [(number, len(JOBS)) for number in range(1, len(JOBS) + 1)]
    assert not multiprocessing.active_children()


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_is_told_as_where_it_was_made(jobs: int) -> None:
    """With its words and remedy, and nothing goes on behind it."""
    with pytest.raises(LeeswatchError) as error:
        run_all(fails, JOBS, SIZES, jobs, None)

    assert str(error.value) == "a.csv:7: a bad line; correct it"
    assert not multiprocessing.active_children()


def test_a_process_that_was_ended_is_said() -> None:
    """Not waited for for ever."""
    with pytest.raises(LeeswatchError, match=r"ended from outside.*--jobs 1"):
        run_all(dies, JOBS, SIZES, 2, None)

    assert not multiprocessing.active_children()


def test_how_many_pay(monkeypatch: pytest.MonkeyPatch) -> None:
    """One for a little work; else one a processor, as far as half the memory goes, and always one."""
    monkeypatch.setattr(os, "cpu_count", lambda: 8)
    plenty = 1 << 40
    assert how_many([PAYS // 2 - 1] * 2, plenty) == 1
    assert how_many([PAYS // 2] * 2, plenty) == 8
    assert how_many([PAYS], 2 * 3 * (NEEDS + 4 * PAYS)) == 3
    assert how_many([PAYS], 0) == 1
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert how_many([PAYS], plenty) == 1


def test_free_memory_is_what_the_system_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cautious guess where it says nothing."""
    path = tmp_path / "meminfo"
    monkeypatch.setattr(workers, "MEMORY", path)
    assert free_memory() == 4 * NEEDS
    path.write_text("MemTotal:  1000 kB\nMemAvailable:     512 kB\n", encoding="ascii")
    assert free_memory() == 512 * 1024
    path.write_text("MemTotal:  1000 kB\n", encoding="ascii")
    assert free_memory() == 4 * NEEDS
