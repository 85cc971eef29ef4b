"""`leeswatch replay --sweep`: past batches, as simulated, under many values of one setting."""

import os
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from monitor.model.clock import HOUR, parse_time
from monitor.settings import load_settings

from .helpers import TOP, all_shown, environment, parsed, run_here, run_there, until
from .replay_past import (
    changed,
    events_of,
    members,
    processor_s,
    record_past,
    until_there,
    verdicts,
    with_journal,
)


@pytest.fixture(scope="session")
def past(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A stalled batch that was stirred up and a beer, each with its configuration beside it as X.toml."""
    return record_past(tmp_path_factory.mktemp("past"))


@pytest.mark.parametrize(
    ("name", "key", "line", "values"),
    [
        ("roused-stall", "expected_final", "expected_final = 0.996",
         {"+0.032": "expected_final = 1.028", "none": "", "0.996": "expected_final = 0.996"}),
        ("hand-only", "fermentables", 'fermentables = "mixed"', {"none": "", "mixed": 'fermentables = "mixed"'}),
    ],
)  # fmt: skip
def test_each_row_is_a_replay_with_that_value(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str],
    name: str, key: str, line: str, values: dict[str, str],
) -> None:  # fmt: skip
    """Counted again from the events of plain replays whose configuration files were changed by hand."""
    path = past[name]
    config = path.with_suffix(".toml")
    sweep = ("replay", path, "--config", config, "--sweep", f"batch.{key}={','.join(values)}")
    found = parsed(run_here(capsys, *sweep, "--json")[1])
    (batch,) = load_settings(config).batch
    assert found["key"] == f"batch.{key}"
    assert found["set"] == {str(path): {batch.name: getattr(batch, key)}}
    assert [row["value"] for row in found["rows"]] == [None, *values]

    for row, new in zip(found["rows"], (line, *values.values()), strict=True):
        events = events_of(path, changed(path, tmp_path / "other.toml", (line, new)), tmp_path / "out.jsonl", capsys)
        told = verdicts(events)
        names = Counter(verdict for _, verdict in told)
        changes = Counter(event["change"] for event in events if event["event"] == "alert")
        raised = Counter(event["alert"] for event in events if event.get("change") == "raised")
        assert row["told"] == {"finished": names["finished"], "stalled": names["stalled"]}
        assert row["verdict_changes"] == len(told) - 1
        assert row["alerts"] == dict(raised)
        assert row["reminders"] == changes["reminded"]
        hours = [(parse_time(time) - batch.pitched) / HOUR for time, verdict in told if verdict == "finished"]
        assert row["finished"]["of"] == 1
        if row["proved_false"]["finished"] == 0:
            first = pytest.approx(hours[0], abs=0.01) if hours else None
            assert row["finished"]["median_h"] == row["finished"]["earliest_h"] == row["finished"]["latest_h"] == first
    was, *_, same = found["rows"]
    assert (was["as_it_was"], same["as_it_was"]) == (True, True)
    if name == "hand-only":
        assert was["finished"]["batches"] == 1, "or hours would not be compared"
    else:
        assert found["rows"][1]["as_it_was"] is False, "or values would not be"


def test_several_recordings_each_under_its_own_journal(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Their batches are put together; two at a time print to the letter what one at a time prints."""
    paths = [with_journal(path, tmp_path) for path in past.values()]
    sweep = ("replay", *paths, "--sweep", "batch.yeast_range_c=[2,30]")

    code, one, err = run_here(capsys, *sweep, "--json", "--jobs", 1)
    assert (code, err) == (0, "")
    assert run_here(capsys, *sweep, "--json", "--jobs", 2) == (0, one, "")

    rows = parsed(one)["rows"]
    assert [(each["recording"], each["batch"]) for each in rows[0]["batches"]] == [
        (str(paths[0]), "lazarus"), (str(paths[1]), "amber-1"), (str(paths[2]), "plain-1"),
    ]  # fmt: skip
    assert rows[0]["finished"]["of"] == 3
    assert rows[0]["alerts"]["ferment-too-cold"] >= 1
    assert "ferment-too-cold" not in rows[1]["alerts"]
    hours = sorted(each["finished_h"] for each in rows[0]["batches"] if each["finished_h"] is not None)
    assert rows[0]["finished"]["earliest_h"] == hours[0]
    assert rows[0]["finished"]["median_h"] == pytest.approx(sum(hours) / len(hours), abs=0.01)


def test_one_batch_alone_is_changed(past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name in brackets leaves the others as they were, journal or not."""
    paths = [with_journal(past["quiet-beer"], tmp_path), past["roused-stall"]]
    config = past["roused-stall"].with_suffix(".toml")
    sweep = ("replay", *paths, "--config", config, "--sweep", "batch[amber-1].yeast_range_c=[24,30]", "--json")

    was, narrow = parsed(run_here(capsys, *sweep)[1])["rows"]

    assert narrow["alerts"]["ferment-too-cold"] == was["alerts"]["ferment-too-cold"] + 1
    assert narrow["batches"][1] == was["batches"][1]


def test_the_table_has_a_row_a_value(past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As it was first; what was set, given again, tells the same at the same times and is named, a narrow range not."""
    paths = [with_journal(past["quiet-beer"], tmp_path), past["roused-stall"]]
    sweep = ("--sweep", "batch[amber-1].yeast_range_c=[16,23],[2,10]")

    out = run_here(capsys, "replay", *paths, "--config", past["roused-stall"].with_suffix(".toml"), *sweep)[1]

    assert out.startswith("batch[amber-1].yeast_range_c over 2 recordings")
    rows = [line for line in out.splitlines() if line.startswith("│ ") and line[2] != " "]
    assert [row.split("│")[1].strip() for row in rows] == ["as it was", "[16,23]", "[2,10]"]
    assert [row.split("│")[2].split(",")[0].split()[-1] for row in rows] == ["2", "2", "2"], "batches in all"
    assert "As it was: amber-1 16.0, 23.0. " in out
    assert "Told the same at the same times as it was: [16,23]\n" in out


def test_what_weighs_otherwise_than_meant_is_said(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One batch in two recordings counts twice, and a journal's configuration rules over the one that was given."""
    path = past["quiet-beer"]
    copy = with_journal(path, tmp_path, expected_final=1.02)

    err = run_here(capsys, "replay", path, copy, "--config", path.with_suffix(".toml"), "--sweep", "batch.yeast=a")[2]

    assert err.splitlines() == [
        f"{copy}: the journal beside it holds another configuration than --config, and the journal rules",
        f"batch amber-1 is in {path} and in {copy}: it counts twice",
    ]


def test_reminders_are_swept(past: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    """More often told, and nothing else another."""
    path = past["roused-stall"]
    sweep = ("replay", path, "--config", path.with_suffix(".toml"), "--sweep", "alerts.remind_every=2h,+36h", "--json")

    was, often, seldom = parsed(run_here(capsys, *sweep)[1])["rows"]

    assert often["reminders"] > was["reminders"] > seldom["reminders"]
    for row in (often, seldom):
        assert {key: row[key] for key in ("finished", "told", "alerts")} == {
            key: was[key] for key in ("finished", "told", "alerts")
        }


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--sweep", "batch.expected_finl=1"), 2, "did you mean batch.expected_final? these can: "),
        (("--sweep", "batch.expected_final=1.3"), 2, "it should be less than or equal to 1.2"),
        (("--sweep", "batch.start_within=-40h"), 2, "does not fit batch lazarus of "),
        (("--sweep", "batch[nobody].expected_final=1"), 2, "no recording has a batch nobody; there are: lazarus"),
        (("--sweep", "batch.yeast=a", "--with", "other.toml"), 2, "--with and --sweep do not go together"),
        (("--sweep", "batch.yeast=a", "--events", "-"), 2, "--events and --sweep do not go together"),
        (("--jobs", "2"), 2, "--jobs goes with --sweep"),
        (("--sweep", "batch.yeast=a", "--jobs", "0"), 2, "argument --jobs: invalid"),
        (("same", "--sweep", "batch.yeast=a"), 2, "is given twice; name each recording once"),
        (("missing.csv", "--sweep", "batch.yeast=a"), 1, "missing.csv: No such file or directory; name a file"),
        (("missing.csv",), 2, "several recordings go with --sweep"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_wrong_use_is_answered(
    past: dict[str, Path], capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, said: str
) -> None:
    """With what to do instead, and nothing printed."""
    path = past["roused-stall"]
    given = [path if word == "same" else word for word in words]

    found, out, err = run_here(capsys, "replay", path, *given, "--config", path.with_suffix(".toml"))

    assert (found, out) == (code, "")
    assert said in err


def test_without_a_configuration_nothing_is_swept(past: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    """A recording alone says nothing of its batches."""
    code, out, err = run_here(capsys, "replay", past["quiet-beer"], "--sweep", "batch.yeast=a")
    assert (code, out) == (2, "")
    assert "has no journal beside it that holds a configuration; give one with --config FILE" in err


def test_bad_rows_are_counted_once(past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not once a value."""
    path = past["quiet-beer"]
    copy = tmp_path / "bad.csv"
    copy.write_bytes(path.read_bytes() + b"garbage\nmore of it\n")

    err = run_here(capsys, "replay", copy, "--config", path.with_suffix(".toml"), "--sweep", "batch.yeast=a")[2]

    assert err == f"{copy}: 2 rows cannot be read and passed over; replay it alone to see them\n"


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_ctrl_c_ends_a_sweep(past: dict[str, Path], tmp_path: Path, jobs: str) -> None:
    """Pressed in a terminal it reaches every process: 130, no word of what they were at, and none of them is left."""
    paths = [with_journal(path, tmp_path) for path in past.values()]
    values = ",".join(f"{number}h" for number in range(20, 70))
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", "replay", *paths, "--sweep", f"batch.start_within={values}",
         "--jobs", jobs],
        cwd=TOP, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    ) as process:  # fmt: skip
        if jobs == "2":
            until_there(process.pid)
        else:
            until(lambda: processor_s(process.pid) > 1.0)
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert (process.returncode, out, err) == (130, "", "")
    until(lambda: not members(process.pid))


def test_nobody_works_on_for_a_sweep_that_was_killed(past: dict[str, Path], tmp_path: Path) -> None:
    """Its processes see that it is gone."""
    paths = [with_journal(path, tmp_path) for path in past.values()]
    values = ",".join(f"{number}h" for number in range(20, 70))
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", "replay", *paths, "--sweep", f"batch.start_within={values}",
         "--jobs", "2"],
        cwd=TOP, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    ) as process:  # fmt: skip
        others = [each for each in until_there(process.pid) if each != process.pid]
        until(lambda: sum(processor_s(each) > 1.0 for each in others) == 2)  # both are at it
        process.kill()
        process.wait(10)
    until(lambda: not members(process.pid))


def test_a_sweep_leaves_nothing_behind_and_shows_no_bar_in_a_file(past: dict[str, Path], tmp_path: Path) -> None:
    """Nothing on the error output where that is no terminal, no file in the folder."""
    work = tmp_path / "work"
    work.mkdir()
    done = run_there("replay", past["quiet-beer"], "--config", past["quiet-beer"].with_suffix(".toml"), "--sweep",
                     "batch.yeast=a", "--jobs", 2, cwd=work)  # fmt: skip

    assert (done.returncode, done.stderr) == (0, "")
    assert list(work.iterdir()) == []


def test_progress_of_a_sweep_shows_on_a_terminal(past: dict[str, Path]) -> None:
    """How many replays there are, and a bar that is gone at the end."""
    import pty

    leader, follower = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", "replay", past["quiet-beer"], "--config",
         past["quiet-beer"].with_suffix(".toml"), "--sweep", "batch.yeast=a", "--jobs", "1"],
        cwd=TOP, env=environment(TERM="xterm"), stdout=subprocess.DEVNULL, stderr=follower,
    ) as process:  # fmt: skip
        os.close(follower)
        shown = all_shown(leader)
        assert process.wait(30) == 0
    os.close(leader)

    assert b"2 replays" in shown
    assert b"%" in shown
