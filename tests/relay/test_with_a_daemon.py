"""The daemon as a process, with a real broker and a real server; it is killed while it sends."""

from __future__ import annotations

import json
import signal
from pathlib import Path

from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader
from simulators.wires import BrokerLink, private_broker
from tests.cli.helpers import cellar, daemon, parsed, run_here, until
from tests.relay.servers import VictoriaMetrics, said, serving


def there(server: VictoriaMetrics) -> dict[int, float]:
    found: dict[int, float] = {}
    answer = said(f"{server.base}/api/v1/export", **{"match[]": 'leeswatch_reading_value{quantity="temperature"}'})
    for line in answer.splitlines():
        series = json.loads(line)
        assert series["metric"]["site"] == "Cellar"
        found |= dict(zip(series["timestamps"], series["values"], strict=True))
    return found


def here(config: Path) -> dict[int, float]:
    with Reader(store_path(load_settings(config))) as reader:
        return dict(reader.curve("float-a", "temperature", 0, 2**60))


def test_what_the_probes_say_is_at_the_server_whoever_is_killed(tmp_path: Path, capsys) -> None:
    """From the broker through the daemon to the server, with a kill of the daemon and one of the server in between."""
    (tmp_path / "victoria").mkdir()
    with private_broker(tmp_path / "broker") as broker, serving(VictoriaMetrics, tmp_path / "victoria") as server:
        config = cellar(
            tmp_path, port=broker.port, more=f'[relay]\nurl = "{server.url}"\nevery = "0.1s"\nhold = "12s"\n'
        )

        def speak(link: BrokerLink, count: int, begin: int) -> None:
            for number in range(begin, begin + count):
                link.publish("cellar/float-a", json.dumps({"n": "temperature", "u": "Cel", "v": number / 100}).encode())

        with BrokerLink(broker.port, name="float-a") as link:
            with daemon(config) as running:
                speak(link, 50, 1500)
                until(lambda: len(here(config)) >= 45)
                running.end(signal.SIGKILL)
            server.kill()
            with daemon(config) as running:
                speak(link, 50, 1700)
                until(lambda: len(here(config)) >= 90)
                assert run_here(capsys, "relay", "status", "--config", config)[0] == 0, "a moment is not behind"
                server.start()
                until(lambda: _all_gone(config), 60.0)
                status = parsed(run_here(capsys, "relay", "status", "--config", config, "--json")[1])
                assert status["backlog"] == {"waiting": 0, "past": 0, "held": 0, "oldest_ms": None, "refused": 0}
                assert status["relay"]["sent"] > 50
                assert running.end() == 0
                assert running.errors == []
        server.settle()
        assert there(server) == here(config)


def _all_gone(config: Path) -> bool:
    with Reader(store_path(load_settings(config))) as reader:
        found = reader.backlog()
    return found.waiting == found.held == 0


def test_a_server_that_is_away_holds_nothing_up(tmp_path: Path, capsys) -> None:
    """With nobody at its address the daemon watches, stays well, says in plain words how it is, and stops at once."""
    config = cellar(tmp_path, more='[relay]\nurl = "http://127.0.0.1:9"\nbehind_after = "1s"\n')
    with daemon(config) as running:
        running.wait_for("is away")
        code, out, _ = run_here(capsys, "relay", "status", "--config", config)
        assert "It does not go out: http://127.0.0.1:9 is away" in out
        until(lambda: run_here(capsys, "relay", "status", "--config", config)[0] == 1)
        running.wait_for("relay-behind raised")
        assert running.end(seconds=10.0) == 0
        assert running.errors == []
    code, out, _ = run_here(capsys, "relay", "status", "--config", config)
    assert code == 1
    assert "No daemon runs" in out
