"""`leeswatch replay`: a past batch through the same engine, with nothing touched but the files named."""

import builtins
import json
import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import iso
from monitor.settings import load_settings
from simulators.configure import configuration
from simulators.play import Player
from simulators.record import recording
from simulators.scenario import load

from .helpers import TOP, all_shown, environment, parsed, run_here, run_there

HAS_EVENTS = 20


@pytest.fixture(scope="session")
def cellar_files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A recording of five days of two buckets and a fridge, without a journal, and its configuration."""
    folder = tmp_path_factory.mktemp("recording")
    player = Player(load("two-siblings").model_copy(update={"days": 5.0}))
    recording(player, folder / "batch.csv")
    (folder / "cellar.toml").write_text(configuration(player.scenario), encoding="utf-8")
    return folder / "batch.csv", folder / "cellar.toml"


def test_events_go_to_a_file_as_lines_of_json(
    cellar_files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each line is one event with its time, and what was gone through is summed up on the error output."""
    out = tmp_path / "events.jsonl"
    code, printed, err = run_here(capsys, "replay", cellar_files[0], "--config", cellar_files[1], "--events", out)

    events = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    assert (code, printed) == (0, "")
    assert len(events) > HAS_EVENTS
    assert [each["time"] for each in events] == sorted(each["time"] for each in events)
    assert {each["event"] for each in events} >= {"verdict"}
    assert err.startswith(f"{len(cellar_files[0].read_text().splitlines()) - 1} readings, {len(events)} events")


def test_events_go_to_the_terminal_whole(
    cellar_files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With `-` they are on the output alone, the same as in a file, and nothing else is there."""
    files = ("replay", cellar_files[0], "--config", cellar_files[1], "--events")
    run_here(capsys, *files, tmp_path / "events.jsonl")

    code, printed, err = run_here(capsys, *files, "-")

    assert code == 0
    assert printed == (tmp_path / "events.jsonl").read_text(encoding="utf-8")
    assert "readings" in err


def test_without_events_it_tells_the_story(cellar_files: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    """Changes of verdict and alerts, a line each; as JSON all of it for programs."""
    code, printed, _ = run_here(capsys, "replay", cellar_files[0], "--config", cellar_files[1])
    assert code == 0
    assert "meadow-north waiting" in printed
    assert "meadow-north working" in printed

    code, as_json, err = run_here(capsys, "replay", cellar_files[0], "--config", cellar_files[1], "--json")
    told = parsed(as_json)
    assert (code, err) == (0, "")
    assert told["story"] == printed.splitlines()
    assert told["journal"] is False
    assert told["differences"] is None
    assert told["readings"] > told["events"] > HAS_EVENTS


def test_two_replays_side_by_side_say_the_same(cellar_files: tuple[Path, Path], tmp_path: Path) -> None:
    """Started at once on the same files they do not get in each other's way."""
    outs = [tmp_path / f"{number}.jsonl" for number in range(2)]
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "monitor.cli.main", "replay", cellar_files[0], "--config", cellar_files[1],
             "--events", out],
            cwd=tmp_path, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for out in outs
    ]  # fmt: skip
    for process in running:
        _, err = process.communicate(timeout=60)
        assert process.returncode == 0, err

    assert outs[0].read_bytes() == outs[1].read_bytes()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["0.jsonl", "1.jsonl"], "it leaves nothing else behind"


def test_it_touches_nothing_and_reads_no_clock(
    cellar_files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """Whatever the configuration names, no socket is made, no thread, no other file is opened, no clock looked at."""
    config = tmp_path / "cellar.toml"
    text = cellar_files[1].read_text(encoding="utf-8").replace("[mqtt]", '[mqtt]\npassword_file = "no-such-file"')
    config.write_text(
        text + '\n[store]\npath = "/no/such/folder/store.db"\n[[alerts.routes]]\nname = "phone"\n'
        'url_file = "no-such-file-either"\n[jobs]\nheartbeat_url = "http://127.0.0.1:1/"\n',
        encoding="utf-8",
    )
    files = ("replay", cellar_files[0], "--config", config, "--events")
    assert run_here(capsys, *files, tmp_path / "before.jsonl")[0] == 0
    opened: list[str] = []
    real_open, real_os_open = builtins.open, os.open

    def note_open(path: Any, *args: Any, **more: Any) -> Any:
        opened.append(str(path))
        return real_open(path, *args, **more)

    def note_os_open(path: Any, *args: Any, **more: Any) -> Any:
        opened.append(str(path))
        return real_os_open(path, *args, **more)

    here = threading.current_thread()

    def refused(real: Any) -> Any:
        """What the replay must not call. Threads of other tests (a page that still serves) go on as they were."""

        def call(*args: Any, **more: Any) -> Any:
            if threading.current_thread() is here:
                raise AssertionError("a replay does not do that")
            return real(*args, **more)

        return call

    with monkeypatch.context() as patch:
        patch.setattr(builtins, "open", note_open)
        patch.setattr("io.open", note_open)
        patch.setattr(os, "open", note_os_open)
        patch.setattr(socket, "socket", refused(socket.socket))
        patch.setattr(threading.Thread, "start", refused(threading.Thread.start))
        for name in ("time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "localtime"):
            patch.setattr(time, name, refused(getattr(time, name)))
        code = run_here(capsys, *files, tmp_path / "after.jsonl")[0]

    assert code == 0
    assert (tmp_path / "after.jsonl").read_bytes() == (tmp_path / "before.jsonl").read_bytes()
    assert set(opened) == {str(config), str(cellar_files[0]), str(tmp_path / "after.jsonl")}


def test_another_configuration_is_compared(
    cellar_files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--with` shows a table of what would have been said earlier, later, only here or only there."""
    other = tmp_path / "other.toml"
    text = cellar_files[1].read_text(encoding="utf-8")
    other.write_text(text.replace("yeast_range_c = [16.0, 28.0]", "yeast_range_c = [16.0, 21.0]"), encoding="utf-8")
    assert other.read_text(encoding="utf-8") != text
    files = ("replay", cellar_files[0], "--config", cellar_files[1])

    code, out, _ = run_here(capsys, *files, "--with", other)
    assert code == 0
    assert "cellar.toml against other.toml" in out
    assert "ferment-too-warm" in out
    assert "only there" in out

    code, out, _ = run_here(capsys, *files, "--with", other, "--json")
    rows = parsed(out)["differences"]
    assert {(row["said"], row["difference"]) for row in rows} >= {("ferment-too-warm", "only there")}


def test_the_journal_beside_it_rules(
    cellar_files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The journal's configuration is the one that was in force; another one on the command line is said, not used."""
    files = tmp_path / "batch.csv", tmp_path / "other.toml"
    files[0].write_bytes(cellar_files[0].read_bytes())
    text = cellar_files[1].read_text(encoding="utf-8")
    files[1].write_text(text.replace("yeast_range_c = [16.0, 28.0]", "yeast_range_c = [16.0, 21.0]"), encoding="utf-8")
    start = Player(load("two-siblings")).start_ms
    told = {"kind": "configuration", "received": iso(start - 1000),
            "settings": load_settings(cellar_files[1]).for_rules().as_json()}  # fmt: skip
    (tmp_path / "batch.journal.jsonl").write_text(json.dumps(told) + "\n", encoding="utf-8")

    same = run_here(capsys, "replay", files[0], "--config", cellar_files[1], "--events", "-")
    code, printed, err = run_here(capsys, "replay", files[0], "--config", files[1], "--events", "-")

    assert code == 0
    assert printed == same[1]
    assert "ferment-too-warm" not in printed
    assert "another configuration" not in same[2]
    assert "the journal beside the recording holds another configuration than" in err
    assert "add --with" in err


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("missing", "No such file or directory; name a file that can be read"),
        ("header", "unknown column 'tmie'; did you mean time?"),
        ("journal", "batch.journal.jsonl:1: "),
        ("config", "unknown key"),
        ("out", "no/such/folder"),
        ("both", "would mix on one output"),
    ],
)
def test_what_cannot_be_used_is_said(
    cellar_files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], what: str, words: str
) -> None:
    """A missing or misshapen file, and a place that cannot be written to, end in one sentence and 1 (or 2 for use)."""
    path, config, events = tmp_path / "batch.csv", tmp_path / "cellar.toml", str(tmp_path / "events.jsonl")
    config.write_bytes(cellar_files[1].read_bytes())
    if what != "missing":
        path.write_bytes(cellar_files[0].read_bytes()[:20_000])
    if what == "header":
        path.write_text("tmie,probe,quantity,value,unit\n", encoding="utf-8")
    elif what == "journal":
        (tmp_path / "batch.journal.jsonl").write_text("garbage\n", encoding="utf-8")
    elif what == "config":
        config.write_text("[sight]\n", encoding="utf-8")
    elif what == "out":
        events = str(tmp_path / "no/such/folder/events.jsonl")
    more = ("--json",) if what == "both" else ()

    code, out, err = run_here(
        capsys, "replay", path, "--config", config, "--events", "-" if what == "both" else events, *more
    )

    assert (code, out) == (2 if what == "both" else 1, "")
    assert words in err


def test_bad_rows_are_passed_over_and_told(
    cellar_files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows that cannot be read are named with their lines, a few of them, and counted; the others are replayed."""
    lines = cellar_files[0].read_text(encoding="utf-8").splitlines()[:3_000]
    for number in range(10, 2_000, 50):
        lines[number] = "garbage"
    path = tmp_path / "batch.csv"
    path.write_text("\n".join(lines), encoding="utf-8")

    code, _, err = run_here(capsys, "replay", path, "--config", cellar_files[1])

    assert code == 0
    assert f"{path}:11: row: 1 columns instead of 6" in err
    assert "and 20 more rows that cannot be read" in err
    assert err.startswith(f"{2_999 - 40} readings")


def test_progress_shows_in_a_terminal_only(cellar_files: tuple[Path, Path], tmp_path: Path) -> None:
    """On a real terminal a bar moves and is gone at the end; into a file nothing of it is written."""
    import pty

    leader, follower = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", "replay", cellar_files[0], "--config", cellar_files[1],
         "--events", tmp_path / "events.jsonl"],
        cwd=TOP, env=environment(TERM="xterm"), stdout=subprocess.PIPE, stderr=follower,
    ) as process:  # fmt: skip
        os.close(follower)
        shown = all_shown(leader)
        assert process.wait(30) == 0
    os.close(leader)

    assert b"batch.csv" in shown
    assert b"%" in shown
    assert b"Traceback" not in shown
    quiet = run_there("replay", cellar_files[0], "--config", cellar_files[1], "--events", tmp_path / "more.jsonl")
    assert "%" not in quiet.stderr


def test_who_reads_no_further_gets_no_traceback(cellar_files: tuple[Path, Path]) -> None:
    """A closed pipe, as after `| head`, ends it quietly."""
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", "replay", cellar_files[0], "--config", cellar_files[1],
         "--events", "-"],
        cwd=TOP, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert "Traceback" not in process.stderr.read()
