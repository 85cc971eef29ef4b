"""`leeswatch demo` as a stranger runs it: a process, its output, its events, its end."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fcntl import ioctl
from pathlib import Path
from typing import Any

import pytest

from tests.cli.helpers import all_shown

TOP = Path(__file__).parents[2]
FAST = 1_000_000  # as fast as the daemon takes it in
DEMO = [sys.executable, "-m", "monitor.cli.main", "demo"]
# The program with no mosquitto to be found, wherever one is installed.
WITHOUT_BROKER = [
    sys.executable, "-c",
    "import shutil, sys; real = shutil.which\n"
    "shutil.which = lambda name, **more: None if name == 'mosquitto' else real(name, **more)\n"
    "from monitor.cli.main import main; sys.exit(main(['demo', *sys.argv[1:]]))",
]  # fmt: skip


def environment(folder: Path | None) -> dict[str, str]:
    """Surroundings in which all that is temporary lies in `folder`."""
    more = {"TMPDIR": str(folder)} if folder is not None else {}
    kept = {name: value for name, value in os.environ.items() if name not in ("TMPDIR", "TERM")}
    warnings = "error,ignore:unclosed <socket:ResourceWarning"  # the MQTT library's own, at the very end
    return {**kept, "PYTHONPATH": str(TOP), "PYTHONWARNINGS": warnings, **more}


@contextlib.contextmanager
def quick_folder() -> Iterator[Path]:
    """A folder in memory where there is one: fifteen thousand commits wait for the disk else."""
    memory = "/dev/shm"
    usable = os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > 1 << 28
    with tempfile.TemporaryDirectory(prefix="lw-", dir=memory if usable else None) as name:
        yield Path(name)


@dataclass
class Played:
    """What a demo left."""

    folder: Path
    code: int
    out: str
    err: str
    seconds: float

    @property
    def events(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in (self.folder / "events.jsonl").read_text(encoding="utf-8").splitlines()]


def play(folder: Path, *words: object, program: Sequence[str] = DEMO) -> Played:
    """Run a demo with its output in files, and look at what it leaves behind."""
    temporary = folder / "tmp"
    temporary.mkdir(exist_ok=True)
    begun = time.monotonic()
    with (folder / "out.txt").open("w") as out, (folder / "err.txt").open("w") as err:
        done = subprocess.run(
            [*program, "--events", folder / "events.jsonl", *map(str, words)],
            cwd=folder, env=environment(temporary), stdin=subprocess.DEVNULL, stdout=out, stderr=err, check=False,
            start_new_session=True, timeout=115,
        )  # fmt: skip
    seconds = time.monotonic() - begun
    assert list(temporary.iterdir()) == [], "nothing temporary is left"
    said, wrong = ((folder / name).read_text(encoding="utf-8") for name in ("out.txt", "err.txt"))
    return Played(folder, done.returncode, said, wrong, seconds)


@pytest.fixture(scope="module")
def whole() -> Iterator[Played]:
    """The whole story, as fast as it goes, kept."""
    with quick_folder() as folder:
        yield play(folder, "--speed", FAST, "--keep", folder / "kept")


def test_the_whole_story_ends_by_itself(whole: Played) -> None:
    """Its output being a file, it asks nothing, says nothing on the error output, and exits 0 well within a minute."""
    assert (whole.code, whole.err) == (0, "")
    assert "The story is over: " in whole.out
    assert "\x1b" not in whole.out, "no colours in a file"
    assert whole.seconds < 100.0, "17 s where it was measured"


def test_the_four_happenings_are_told(whole: Played) -> None:
    """One bucket finishes, its sibling stalls, a door stays open, a compressor dies: each raised, with what to do."""
    raised = [each for each in whole.events if each["event"] == "alert" and each["change"] == "raised"]
    told = {each["alert"]: each["about"] for each in raised}

    assert told["ferment-finished"] == "batch:meadow-north"
    assert told["ferment-stalled"] == "batch:meadow-south"
    assert told["fridge-door"] == "fridge:larder"
    assert told["fridge-compressor"] == "fridge:larder"
    for each in raised:
        if each["alert"] in ("ferment-stalled", "fridge-door", "fridge-compressor"):
            assert each["because"]
            assert each["do"]
    for alert in ("ferment-finished", "ferment-stalled", "fridge-door", "fridge-compressor"):
        assert f"! {alert} " in whole.out


def test_replay_of_what_was_kept_says_it_again_word_for_word(whole: Played) -> None:
    """The recording and journal that the demo leaves replay to the very bytes of its events."""
    kept = whole.folder / "kept"
    again = whole.folder / "again.jsonl"
    done = subprocess.run(
        [*DEMO[:-1], "replay", kept / "demo.csv", "--config", kept / "demo.toml", "--events", again],
        env=environment(None), capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    assert again.read_bytes() == (whole.folder / "events.jsonl").read_bytes()
    assert "another configuration" not in done.stderr
    assert f"leeswatch replay {kept}/demo.csv --config {kept}/demo.toml" in whole.out.replace("\n", " ").replace(
        "  ", " "
    )


def test_what_is_kept_is_whole(whole: Played) -> None:
    """Configuration, store, recording and journal are there, the configuration passes the check, no socket is left."""
    kept = whole.folder / "kept"
    done = subprocess.run(
        [*DEMO[:-1], "check", "--config", kept / "demo.toml"], env=environment(None), capture_output=True, text=True,
        check=False,
    )  # fmt: skip

    assert done.returncode == 0, done.stdout
    assert {"demo.toml", "demo.csv", "demo.journal.jsonl", "store.db"} <= {each.name for each in kept.iterdir()}
    assert not [each for each in kept.rglob("*") if each.is_socket()]


@pytest.mark.parametrize("how", ["broker", "serial"])
def test_it_ends_when_its_time_is_up(tmp_path: Path, how: str) -> None:
    """After `--for` seconds it is over, story or not, with exit 0, with a broker and over serial lines alone."""
    done = play(tmp_path, "--for", 7, *(["--serial-only"] if how == "serial" else []))

    assert (done.code, done.err) == (0, "")
    assert 5.0 < done.seconds < 12.0
    assert "Time is up on day" in done.out
    over = "serial lines alone" if how == "serial" else "MQTT and a serial line"
    assert f"are watched over {over}" in done.out
    assert done.events
    assert "day 0: " in done.out


def test_without_a_broker_it_says_so_and_plays_on(tmp_path: Path) -> None:
    """Where no mosquitto is installed, it says how to get one and plays over serial lines."""
    done = play(tmp_path, "--for", 7, program=WITHOUT_BROKER)

    assert (done.code, done.err) == (0, "")
    assert "mosquitto is not installed: on Debian, `sudo apt install mosquitto`" in done.out
    assert "Playing over serial lines alone." in done.out
    assert done.events


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--for", "0"), "--for 0 cannot be"),
        (("--speed", "-3"), "--speed -3 cannot be"),
        (("--keep", "."), "is not empty; name a new folder for --keep"),
        (("--events", "no/such/folder/e.jsonl", "--for", "5"), "no/such/folder/e.jsonl: No such file or directory"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    """Wrong use ends at once in a sentence."""
    (tmp_path / "full").touch()
    done = subprocess.run(
        [*DEMO, *words],
        cwd=tmp_path,
        env=environment(tmp_path),
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )

    assert done.returncode in (1, 2)
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert [each.name for each in tmp_path.iterdir()] == ["full"]


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("whom", ["it", "all"])
@pytest.mark.parametrize("after", [0.9, 3.0])
def test_told_to_end_it_leaves_nothing(tmp_path: Path, how: signal.Signals, whom: str, after: float) -> None:
    """Ctrl-C (all its processes get it, twice) and SIGTERM, early and late: no process, folder or socket stays."""
    process = subprocess.Popen(
        DEMO, cwd=tmp_path, env=environment(tmp_path), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    time.sleep(after)
    for _ in range(2):
        (os.killpg if whom == "all" else os.kill)(process.pid, how)
        time.sleep(0.15)
    out, err = process.communicate(timeout=20)

    assert "Traceback" not in err
    assert process.returncode in ((0,) if "Leeswatch demo" in out else (0, 130, -how))
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)
    assert list(tmp_path.iterdir()) == []


def test_in_a_terminal_it_shows_how_things_stand(tmp_path: Path) -> None:
    """On a real terminal a table of batches and fridge stays below the sentences; it ends without a traceback."""
    leader, follower = pty.openpty()
    ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    process = subprocess.Popen(
        [*DEMO, "--for", "8", "--events", str(tmp_path / "events.jsonl")],
        env={**environment(tmp_path), "TERM": "xterm-256color"},
        stdin=follower, stdout=follower, stderr=follower, start_new_session=True,
    )  # fmt: skip
    os.close(follower)
    shown = all_shown(leader)
    os.close(leader)
    assert process.wait(20) == 0

    text = shown.decode("utf-8", "replace")
    assert "Traceback" not in text
    assert "Leeswatch demo" in text
    assert "should end at" in text
    assert "times real time" in text
    assert "meadow-north" in text
    assert (tmp_path / "events.jsonl").stat().st_size > 0


def test_ctrl_c_in_a_terminal_ends_it(tmp_path: Path) -> None:
    """The key itself, typed on the terminal, ends the demo in good order."""
    leader, follower = pty.openpty()
    ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    process = subprocess.Popen(
        DEMO, env={**environment(tmp_path), "TERM": "xterm-256color"}, stdin=follower, stdout=follower, stderr=follower,
        start_new_session=True, preexec_fn=lambda: ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509
    )  # fmt: skip
    os.close(follower)
    shown = b""
    typed = False
    with contextlib.suppress(OSError):
        while piece := os.read(leader, 65_536):
            shown += piece
            if not typed and b"times real time" in shown:
                os.write(leader, b"\x03")
                typed = True
    os.close(leader)

    assert process.wait(20) == 0
    assert b"stopped; nothing is left behind" in shown
    assert b"Traceback" not in shown
    assert list(tmp_path.iterdir()) == []


def test_a_port_that_is_taken_is_no_hindrance(tmp_path: Path) -> None:
    """Where the page's usual port is in use, the demo shows its page on another."""
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        with contextlib.suppress(OSError):
            taken.bind(("127.0.0.1", 8650))
            taken.listen()
        done = play(tmp_path, "--for", 5)

    assert (done.code, done.err) == (0, "")
    assert "The page: http://127.0.0.1:" in done.out
    assert "The page: http://127.0.0.1:8650 " not in done.out
