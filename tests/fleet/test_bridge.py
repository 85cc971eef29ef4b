"""From a site's daemon over its broker's bridge to the tower and `leeswatch fleet`: all real, as deploy/ ships it."""

from __future__ import annotations

import json
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.model.inputs import Message, Sample
from tests.cli.helpers import daemon, run_here, run_there

from .helpers import PATIENCE_S, site_config, watching
from .towers import MOSQUITTO, Land, land, make_keys

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_keys(tmp_path_factory.mktemp("keys"))


def look(capsys: Capture, place: Land, *more: str) -> tuple[int, dict[str, Any]]:
    """What `leeswatch fleet` says now: its exit code, and each site by name."""
    code, out, _ = run_here(capsys, "fleet", *place.options(), "--json", "--for", "0.3", *more)
    told = json.loads(out)
    return code, {site["site"]: site for site in told["sites"]}


def until(
    capsys: Capture, place: Land, true: Callable[[int, dict[str, Any]], object], seconds: float = PATIENCE_S
) -> Any:
    """Look again and again until something is so; what was seen then."""
    end = time.monotonic() + seconds
    while True:
        code, sites = look(capsys, place)
        if true(code, sites):
            return code, sites
        assert time.monotonic() < end, sites


def said(site: Any, name: str) -> tuple[str, str]:
    return site[name]["reach"], site[name]["why"]


def test_a_daemon_that_dies_is_told_and_its_sibling_site_goes_on(tmp_path: Path, keys: Path, capsys: Capture) -> None:
    """Its last will comes over the bridge: quiet, exit 1, with what it last said; the other site is as it was."""
    with (
        land(tmp_path, keys, "north", "south") as place,
        watching(site_config(tmp_path / "s", place.sites["south"].port, "South cellar")),
        daemon(site_config(tmp_path / "n", place.sites["north"].port, "North cellar")) as north,
    ):
        _, sites = until(capsys, place, lambda code, sites: code == 0 and len(sites) == 2)
        assert sites["north"]["name"] == "North cellar"
        assert sites["north"]["batches"][0]["sentence"] == "Nothing heard yet."
        assert (sites["north"]["state"], sites["north"]["bridge"]) == ("online", "up")

        north.process.kill()
        _, sites = until(capsys, place, lambda code, _: code == 1)
        assert said(sites, "north") == ("quiet", "its Leeswatch has stopped, or its broker lost it")
        assert sites["north"]["since"] == sites["north"]["summary_time"]
        assert sites["south"]["reach"] == "reachable"
        text = run_there("fleet", *place.options(), "--for", "0.5")
        assert text.returncode == 1
        assert text.stdout.splitlines()[0] == "2 sites, 1 quiet, no urgent alerts that nobody has seen."
        assert "■ north (North cellar) is quiet since" in text.stdout
        assert "amber-1  Nothing heard yet." in text.stdout
        assert text.stderr == ""


def test_a_machine_without_power_is_told_by_its_bridge(tmp_path: Path, keys: Path, capsys: Capture) -> None:
    """Nothing of it can be sent any more, not even a last will: the tower misses the bridge, until it is back."""
    with (
        land(tmp_path, keys, "north") as place,
        watching(site_config(tmp_path / "n", place.sites["north"].port)),
    ):
        until(capsys, place, lambda code, _: code == 0)
        place.sites["north"].freeze()
        _, sites = until(capsys, place, lambda code, _: code == 1, seconds=25.0)
        assert said(sites, "north")[0] == "quiet"
        assert "bridge is down" in said(sites, "north")[1]
        assert sites["north"]["state"] == "online"  # as it last said
        place.sites["north"].freeze(still=False)
        until(capsys, place, lambda code, _: code == 0)


def test_what_waits_for_the_tower_outlives_the_sites_broker(tmp_path: Path, keys: Path, capsys: Capture) -> None:
    """The tower is away, the site's broker is killed meanwhile: then all alerts come, and the latest summary."""
    with land(tmp_path, keys, "north") as place:
        north = place.sites["north"]
        _publish(north.port, "leeswatch/state", "online", retain=True)
        until(capsys, place, lambda _, sites: sites.get("north", {}).get("state") == "online")
        place.tower.end(signal.SIGKILL)
        for number in range(5):
            _publish(north.port, "leeswatch/alerts", f"alert {number}")
        with watching(site_config(tmp_path / "n", north.port, "North cellar")):
            _wait_for_summary(north.port, "North cellar")
        north.end(signal.SIGKILL)
        north.start()
        place.tower.start()
        assert _hear(place, keys, "fleet/north/leeswatch/alerts", 5) == [f"alert {number}" for number in range(5)]
        _, sites = until(capsys, place, lambda _, sites: sites.get("north", {}).get("name") == "North cellar")
        assert sites["north"]["state"] == "offline"  # the daemon was stopped meanwhile


def test_no_site_can_speak_for_another(tmp_path: Path, keys: Path, capsys: Capture) -> None:
    """What it writes under another name than it signed in with does not come through; who looks can write nothing."""
    with land(tmp_path, keys, "north") as place:
        liar = place.site("south", speaks_as="north")
        liar.start()
        _publish(place.sites["north"].port, "leeswatch/state", "online", retain=True)
        until(capsys, place, lambda _, sites: "north" in sites)
        _publish(liar.port, "leeswatch/state", "offline", retain=True)
        time.sleep(1.5)
        _, sites = look(capsys, place)
        assert set(sites) == {"north"}
        assert sites["north"]["state"] == "online"
        _publish(place.tower.port, "fleet/north/leeswatch/state", "offline", retain=True, keys=keys)
        _, sites = look(capsys, place)
        assert sites["north"]["state"] == "online"


def test_an_alert_that_nobody_has_seen_calls(tmp_path: Path, keys: Path, capsys: Capture) -> None:
    """What a daemon raises stands on the tower a moment later, with its sentence."""
    with (
        land(tmp_path, keys, "north") as place,
        watching(site_config(tmp_path / "n", place.sites["north"].port)) as running,
    ):
        for number in range(3):
            now = running.clock.wall_ms()
            sample = Sample("temperature", 120.0 + number)
            running.record(Message("mqtt", "float-a", now, running.clock.mono_ms(), (sample,))).result(10)
        code, sites = until(capsys, place, lambda _, sites: sites.get("north", {}).get("alerts"))
        assert sites["north"]["alerts"][0]["message"] == "Probe float-a says temperature 122 Cel: that cannot be right."
        assert code == 0  # of low priority


# --- hands on a broker -------------------------------------------------------------------------------------------


def _publish(port: int, topic: str, words: str, *, retain: bool = False, keys: Path | None = None) -> None:
    secure = [] if keys is None else ["--cafile", str(keys / "tower-ca.crt"), "-u", "viewer", "-P", "word-of-viewer"]
    kept = ["-r"] if retain else []
    subprocess.run(
        ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", topic, "-m", words, *kept, *secure],
        check=True, timeout=10,
    )  # fmt: skip


def _wait_for_summary(port: int, name: str) -> None:
    done = subprocess.run(
        ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-t", "leeswatch/summary", "-C", "1", "-W", "10"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert json.loads(done.stdout)["site"] == name


def _hear(place: Land, keys: Path, topic: str, count: int) -> list[str]:
    """Somebody listens on a topic of the tower until so many messages came."""
    done = subprocess.run(
        [
            "mosquitto_sub", "-h", "127.0.0.1", "-p", str(place.tower.port), "-t", topic, "-C", str(count), "-W", "15",
            "--cafile", str(keys / "tower-ca.crt"), "-u", "viewer", "-P", "word-of-viewer", "-q", "1",
        ],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout.splitlines()
