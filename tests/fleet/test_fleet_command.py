"""`leeswatch fleet` as it is typed: where it looks, how long, what it prints, and its exit code."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.fleet.summary import SaidOfBatch, encode
from monitor.model.clock import HOUR, SystemClock, iso
from simulators.wires import Broker, BrokerLink, private_broker
from tests.cli.helpers import environment, parsed, run_here, run_there

from .helpers import standing, summary

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with private_broker(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def link(broker: Broker) -> Iterator[BrokerLink]:
    with BrokerLink(broker.port) as link:
        yield link


def now() -> int:
    return SystemClock().wall_ms()


def tell(link: BrokerLink, site: str, ago_ms: int = 0, *, state: str = "online", **more: object) -> None:
    """A site's kept words."""
    link.publish(f"fleet/{site}/leeswatch/state", state.encode(), retained=True)
    told = encode(summary(now() - ago_ms, **more))
    link.publish(f"fleet/{site}/leeswatch/summary", told, retained=True)
    link.settle()


def at(broker: Broker) -> list[str]:
    return ["fleet", "--host", "127.0.0.1", "--port", str(broker.port), "--for", "0.3"]


def test_all_well_is_0_and_anything_else_is_1(broker: Broker, link: BrokerLink, capsys: Capture) -> None:
    """For a job of cron: no site at all, a missing site, a quiet one and an unseen urgent alert are each a 1."""
    assert run_here(capsys, *at(broker))[0] == 1
    tell(link, "north")
    assert run_here(capsys, *at(broker))[0] == 0
    assert run_here(capsys, *at(broker), "--expect", "north")[0] == 0
    code, out, _ = run_here(capsys, *at(broker), "--expect", "north", "--expect", "south")
    assert code == 1
    assert "■ south is quiet: nothing was ever heard of it" in out
    tell(link, "north", alerts=(standing("freeze-risk", "high"),))
    code, out, _ = run_here(capsys, *at(broker))
    assert (code, "1 urgent alert that nobody has seen" in out) == (1, True)
    tell(link, "north", HOUR)
    code, out, _ = run_here(capsys, *at(broker))
    assert (code, "is quiet since" in out) == (1, True)


def test_json_is_one_object_that_says_it_all(broker: Broker, link: BrokerLink, capsys: Capture) -> None:
    """With --json: nothing else is printed."""
    tell(link, "north", state="offline", batches=(SaidOfBatch(batch="a", stage="cold", sentence="In the cold."),))
    link.publish("fleet/north/leeswatch/what", b"?", retained=True)
    link.settle()
    code, out, err = run_here(capsys, *at(broker), "--json")

    told = parsed(out)
    assert (code, err) == (1, "")
    assert told["well"] is False
    assert told["connected"] is True
    assert told["unknown_topics"] == {"fleet/north/leeswatch/what": 1}
    (site,) = told["sites"]
    assert (site["site"], site["reach"], site["state"]) == ("north", "quiet", "offline")
    assert site["batches"] == [
        {"batch": "a", "stage": "cold", "verdict": None, "confidence": None, "sentence": "In the cold."}
    ]


def test_the_broker_is_that_of_the_configuration(
    tmp_path: Path, broker: Broker, link: BrokerLink, capsys: Capture
) -> None:
    """Of [mqtt], with what the command line changes; without either it says what to do."""
    tell(link, "north")
    config = tmp_path / "tower.toml"
    config.write_text(f"[mqtt]\nport = {broker.port}\n")
    assert run_here(capsys, "fleet", "--config", config, "--for", "0.3")[0] == 0
    config.write_text("[mqtt]\nport = 1\n")
    assert run_here(capsys, "fleet", "--config", config, "--port", broker.port, "--for", "0.3")[0] == 0
    config.write_text("")
    code, _, err = run_here(capsys, "fleet", "--config", config)
    assert (code, err) == (2, "leeswatch: the configuration names no broker; add [mqtt], or give --host\n")


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--for", "-1"], 2, "--for -1 cannot be"),
        (["--port", "70000"], 2, "--port 70000 is no port"),
        (["--expect", "a/b"], 2, "a site is one level of a topic"),
        (["--port", "1"], 1, "the broker at 127.0.0.1:1 cannot be reached"),
        (["--password-file", "nowhere", "--user", "x"], 1, "password or certificates cannot be read"),
        (["--ca", "nowhere"], 1, "password or certificates cannot be read"),
        (["--host", ""], 1, "cannot be reached"),
    ],
)
def test_wrong_use_and_a_broker_that_is_not_there(words: list[str], code: int, says: str, capsys: Capture) -> None:
    """2 for what cannot be, 1 for what is not there now; in one line, without a picture."""
    found = run_here(capsys, "fleet", "--host", "127.0.0.1", *words)

    assert found[:2] == (code, "")
    assert says in found[2]
    assert found[2].count("\n") == 1


def test_watching_into_a_file_adds_what_is_new(broker: Broker, link: BrokerLink) -> None:
    """One line of JSON for each change, none for time that passes; it ends by --for with the code as it is then."""
    tell(link, "north")
    watch = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", *at(broker)[:-1], "6", "--watch", "--json"],
        env=environment(), stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert watch.stdout is not None
    first = json.loads(watch.stdout.readline())
    while not first["sites"]:
        first = json.loads(watch.stdout.readline())
    assert first["well"] is True
    tell(link, "north")  # the same again, but for its time
    link.publish("fleet/north/leeswatch/state", b"offline", retained=True)
    second = json.loads(watch.stdout.readline())
    assert (second["well"], second["sites"][0]["state"]) == (False, "offline")
    assert second["sites"][0]["since"] > iso(now() - 10_000)
    rest = watch.stdout.read()
    assert watch.wait(20) == 1
    assert rest == ""
    watch.stdout.close()


def test_watching_on_a_terminal_repaints(broker: Broker, link: BrokerLink) -> None:
    """The screen is cleared for each picture, a broker that goes away is told, and Ctrl-C ends it."""
    tell(link, "north", batches=(SaidOfBatch(batch="a", stage="cold", sentence="In the cold."),))
    leader, follower = pty.openpty()
    watch = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", *at(broker)[:-2], "--watch"],
        env=environment(TERM="xterm"), stdout=follower, stderr=follower,
    )  # fmt: skip
    os.close(follower)
    shown = b""
    try:
        shown = _until(leader, "In the cold.")
        tell(link, "south", state="offline")
        shown += _until(leader, "is quiet since")
        broker.stop()
        shown += _until(leader, "The broker is away")
        broker.restart()
        shown += _until(leader, "2 sites, 1 quiet")
    finally:
        watch.send_signal(signal.SIGINT)
        assert watch.wait(10) == 130
        os.close(leader)
    assert shown.count(b"\x1b[2J") >= 3
    assert b"Traceback" not in shown


def _until(leader: int, words: str, seconds: float = 15.0) -> bytes:
    shown, end = b"", time.monotonic() + seconds
    while words.encode() not in shown:
        assert time.monotonic() < end, shown
        shown += os.read(leader, 65_536)
    return shown


def test_into_a_pipe_that_closes(broker: Broker, link: BrokerLink) -> None:
    """Whoever reads has seen enough: no complaint."""
    tell(link, "north")
    done = subprocess.run(
        f"{sys.executable} -m monitor.cli.main {' '.join(at(broker))} | head -c 1", shell=True,
        env=environment(), capture_output=True, timeout=30, check=False,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == (b"1", b"")
    assert run_there("fleet", "--help").returncode == 0
