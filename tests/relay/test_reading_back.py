"""A pair of siblings, lived through with a relay: read back from the server they are what the store would export."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.intake.recording import Recording, merge
from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, SystemClock, iso, parse_time
from monitor.model.deeds import Racked
from monitor.model.inputs import (
    JOURNAL,
    BatchClosed,
    BatchStarted,
    Configured,
    HandReading,
    JournalEntry,
    ProbeMoved,
    Reading,
    StageChanged,
    Started,
)
from monitor.relay.lines import lines_of
from monitor.relay.server import InfluxServer
from monitor.settings import load_settings, parse_settings
from monitor.store.outbox import Row
from monitor.store.reader import Reader
from monitor.store.store import Store
from simulators.configure import configuration
from simulators.play import Player
from simulators.record import recording
from simulators.scenario import load

from .servers import Served

SITE = "North cellar"
BEGAN = parse_time("2026-03-02T18:00:00Z")
NORTH, SOUTH = "meadow-north", "meadow-south"

Run = Callable[..., tuple[int, str, str]]


@dataclass
class Cellar:
    """A site that was watched for ten days, exported, and whose outbox has not been sent."""

    folder: Path
    text: str
    lines: list[str]

    def config(self, server: Served, name: str = "leeswatch.toml", store: str = "store.db") -> Path:
        """Its configuration with a server."""
        path = self.folder / f"{server.port}-{name}"
        relay = f'[store]\npath = "{store}"\n[relay]\nurl = "{server.url}"\n'
        path.write_text(self.text + relay, encoding="utf-8")
        return path


def deeds() -> list[JournalEntry]:
    """What people did: a reading by hand, a probe that moves, one racked, both over."""
    at = BEGAN + 5 * DAY
    return [
        HandReading(vessel="north", hydrometer=1.02, temperature=20.0, calibrated=20.0, at=at, received=at + 11),
        StageChanged(batch=NORTH, stage="clearing", received=BEGAN + 8 * DAY + 3),
        Racked(batch=NORTH, to="jug", volume_l=17.5, loss_l=0.8, at=BEGAN + 8 * DAY, received=BEGAN + 8 * DAY + 5),
        ProbeMoved(probe="float-north", to="vessel:jug", at=BEGAN + 8 * DAY, received=BEGAN + 8 * DAY + 7),
        BatchClosed(batch=SOUTH, at=BEGAN + 9 * DAY, received=BEGAN + 9 * DAY + 9),
        BatchClosed(batch=NORTH, at=BEGAN + 11 * DAY, received=BEGAN + 11 * DAY + 9),
    ]


def said(readings: Iterator[Reading]) -> Iterator[Reading]:
    """What the probes said, one of them with all the digits of a division, and the hand reading in its place."""
    by_hand = False
    for reading in readings:
        if not by_hand and reading.received_ms > BEGAN + 5 * DAY + 20:
            by_hand, at = True, BEGAN + 5 * DAY
            yield Reading("hand:north", "hydrometer", at, 1.02, at + 13)
            yield Reading("hand:north", "temperature", at, 20.0, at + 15)
        exact = reading.probe == "float-north" and reading.quantity == "gravity"
        yield reading._replace(value=reading.value * 3 / 3.0000001) if exact else reading


@pytest.fixture(scope="module")
def cellar(tmp_path_factory: pytest.TempPathFactory) -> Cellar:
    folder = tmp_path_factory.mktemp("cellar")
    player = Player(load("two-siblings"))
    recording(player, folder / "said.csv")
    text = configuration(player.scenario).replace('name = "Cellar"', f'name = "{SITE}"')
    text = text.replace("yeast_range_c", 'recipe = "meadow"\nyeast_range_c')
    settings = parse_settings(text)
    with Store.open(folder / "store.db") as store:
        ledger = Ledger(store, strict=True, relaying=True)
        begin: list[JournalEntry] = [
            Started(version="0.1.0", watched_until=None, received=BEGAN - 5),
            Configured(settings=settings.for_rules().as_json(), received=BEGAN - 3),
        ]
        inputs = merge(said(iter(Recording(folder / "said.csv"))), [*begin, *deeds()])
        with ledger.commit():
            for item in inputs:
                ledger.put(item)
    made = Cellar(folder, text, [])
    config = folder / "export.toml"
    config.write_text(text + '[store]\npath = "store.db"\n[relay]\nurl = "http://127.0.0.1:9"\n', encoding="utf-8")
    for name in (NORTH, SOUTH):
        assert main(["export", "--config", str(config), "--batch", name, "--out", str(folder / f"{name}.csv")]) == 0
    assert main(["export", "--config", str(config), "--out", str(folder / "whole.csv")]) == 0
    with Reader(folder / "store.db") as reader:
        made.lines = [line for row in reader.unsent(10**9) for line in lines_of(row, SITE)]
    return made


def send(server: Served, config: Path, lines: list[str]) -> None:
    """As the relay does: by the client library, compressed."""
    relay = load_settings(config).relay
    assert relay is not None
    client = InfluxServer(relay, SystemClock())
    for start in range(0, len(lines), 5_000):
        client.write(lines[start : start + 5_000])
    client.close()
    server.settle()


SENT: set[int] = set()


@pytest.fixture
def config(cellar: Cellar, server: Served) -> Path:
    """The configuration of the site, after its outbox was sent to the server."""
    config = cellar.config(server)
    if server.port not in SENT:
        SENT.add(server.port)
        send(server, config, cellar.lines)
    return config


@pytest.fixture
def stranger(cellar: Cellar, server: Served, config: Path) -> Path:
    """A site of another name, with no store at all, that uses the same server."""
    path = cellar.config(server, "stranger.toml", "none.db")
    path.write_text(path.read_text("utf-8").replace(SITE, "South cellar"), encoding="utf-8")
    return path


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*words: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main([str(word) for word in words])
        return code, *capsys.readouterr()

    return run


@pytest.mark.parametrize("name", [NORTH, SOUTH])
def test_a_batch_read_back_is_its_local_export_byte_for_byte(cellar, stranger, run: Run, tmp_path, name) -> None:
    out = tmp_path / "back.csv"
    code, printed, err = run("relay", "read", "--config", stranger, "--site", SITE, "--batch", name, "--out", out)
    assert (code, err) == (0, "")
    assert out.read_bytes() == (cellar.folder / f"{name}.csv").read_bytes()
    assert (tmp_path / "back.journal.jsonl").read_bytes() == (cellar.folder / f"{name}.journal.jsonl").read_bytes()
    assert f"{len(list(Recording(out)))} readings" in printed


def test_a_site_read_back_is_its_local_export_byte_for_byte(cellar, config, run: Run, tmp_path) -> None:
    out = tmp_path / "back.csv"
    code, _, err = run("relay", "read", "--config", config, "--out", out)
    assert (code, err) == (0, "")
    assert out.read_bytes() == (cellar.folder / "whole.csv").read_bytes()
    assert (tmp_path / "back.journal.jsonl").read_bytes() == (cellar.folder / "whole.journal.jsonl").read_bytes()


def test_a_batch_read_back_replays_to_the_same_events(cellar, config, stranger, run: Run, tmp_path) -> None:
    """Field for field, verdicts and alerts, with nothing but the recording and what lies beside it."""
    assert (
        run("relay", "read", "--config", stranger, "--site", SITE, "--batch", NORTH, "--out", tmp_path / "b.csv")[0]
        == 0
    )
    events = []
    for path in (cellar.folder / f"{NORTH}.csv", tmp_path / "b.csv"):
        code, printed, _ = run("replay", path, "--config", config, "--events", "-")
        assert code == 0
        events.append([json.loads(line) for line in printed.splitlines()])
    local, back = events
    assert back == local
    assert {each["verdict"] for each in local if each["event"] == "verdict"} >= {"working", "unknown"}
    assert len(local) > 50


def test_a_time_read_back_is_the_export_of_that_time(cellar, config, run: Run, tmp_path) -> None:
    words = ("--config", config, "--from", iso(BEGAN + DAY), "--to", iso(BEGAN + 2 * DAY))
    assert run("relay", "read", *words, "--out", tmp_path / "back.csv")[0] == 0
    assert run("export", *words, "--out", tmp_path / "local.csv")[0] == 0
    assert (tmp_path / "back.csv").read_bytes() == (tmp_path / "local.csv").read_bytes()
    assert len(list(Recording(tmp_path / "back.csv"))) > 1_000


def test_what_the_pi_has_thinned_is_there_in_full(cellar, config, server, run: Run, tmp_path) -> None:
    """The store may be gone altogether: the server is asked, and nothing else."""
    alone = cellar.config(server, "alone.toml", str(tmp_path / "gone.db"))
    out = tmp_path / "back.csv"
    assert run("relay", "read", "--config", alone, "--batch", SOUTH, "--out", out)[0] == 0
    assert out.read_bytes() == (cellar.folder / f"{SOUTH}.csv").read_bytes()
    assert not (tmp_path / "gone.db").exists()


def test_siblings_are_compared_from_the_server_as_in_the_store(config, stranger, run: Run) -> None:
    code, local, _ = run("batch", "compare", NORTH, SOUTH, "--config", config, "--json")
    assert code == 0
    code, back, err = run("batch", "compare", NORTH, SOUTH, "--config", stranger, "--from-server", SITE, "--json")
    assert code == 0
    assert json.loads(back) == json.loads(local)
    assert f"site {SITE}" in err
    assert "missing" not in err


def test_a_batch_here_is_compared_with_one_of_another_site(config, run: Run) -> None:
    moved = config.with_name(f"moved-{config.name}")
    moved.write_text(config.read_text("utf-8").replace(SITE, "Elsewhere"), encoding="utf-8")
    code, printed, err = run("batch", "compare", NORTH, NORTH, "--config", moved, "--beside-site", SITE, "--json")
    found = json.loads(printed)
    assert (code, found["first"], found["second"]) == (0, NORTH, f"{NORTH} ({SITE})")
    known = [row for row in found["differences"] if row["difference"] is not None]
    assert known
    assert all(row["difference"] == 0 for row in known)
    assert err.count("from http") == 1


def test_a_report_from_the_server_is_the_one_from_the_store(
    config, stranger, run: Run, tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With its sibling beside it, which is read back too; of the store in between nothing is left."""
    between = tmp_path / "between"
    between.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(between))
    assert run("report", NORTH, "--config", config, "--out", tmp_path / "local.html")[0] == 0
    code, _, err = run("report", NORTH, "--config", stranger, "--from-server", SITE, "--out", tmp_path / "back.html")
    assert code == 0
    assert f"{NORTH} and {SOUTH}" in err
    local, back = ((tmp_path / f"{name}.html").read_text("utf-8") for name in ("local", "back"))
    assert without_made(back) == without_made(local)
    assert SOUTH in back
    assert list(between.iterdir()) == []


def without_made(html: str) -> list[str]:
    return [line for line in html.splitlines() if "made" not in line.lower()]


def test_sites_and_batches_are_told(stranger, run: Run) -> None:
    code, printed, _ = run("relay", "sites", "--config", stranger, "--json")
    assert code == 0
    site = next(each for each in json.loads(printed) if each["site"] == SITE)
    assert [each["batch"] for each in site["batches"]] == [NORTH, SOUTH]
    assert BEGAN <= parse_time(site["first"]) <= BEGAN + HOUR
    assert parse_time(site["last"]) > BEGAN + 9 * DAY
    code, printed, _ = run("relay", "sites", "--config", stranger)
    assert code == 0
    assert f"{SITE}  02 Mar 2026 18:00 to" in printed
    assert f"    {NORTH}  02 Mar 2026 18:0" in printed


def test_what_is_missing_is_told_and_the_rest_comes(cellar, server, stranger, run: Run, tmp_path) -> None:
    site = "Half a cellar"
    lines = [line.replace(SITE.replace(" ", "\\ "), site.replace(" ", "\\ ")) for line in cellar.lines]
    readings = [number for number, line in enumerate(lines) if line.startswith("leeswatch_reading")]
    lost = set(readings[1_000:1_010])
    torn = next(number for number, line in enumerate(lines) if "leeswatch_journal" in line and "part=1" in line)
    send(server, stranger, [line for number, line in enumerate(lines) if number not in lost | {torn}])
    out = tmp_path / "back.csv"

    code, printed, err = run("relay", "read", "--config", stranger, "--site", site, "--out", out, "--json")
    found = json.loads(printed)
    assert (code, err, found["complete"]) == (0, "", False)
    assert sum(gap["last"] - gap["first"] + 1 for gap in found["missing"]["rows"]) == 10
    assert len(found["missing"]["entries"]) == 1
    assert "parts are there" in found["missing"]["entries"][0]["why"]
    assert found["readings"] == len(readings) - 10

    code, printed, err = run("relay", "read", "--config", stranger, "--site", site, "--out", out)
    assert code == 0
    assert "missing: 10 rows of the site between" in err
    assert "missing: 1 journal entry that cannot be read" in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--site", "Nowhere"), 'no journal of a site "Nowhere"; sites there:'),
        (("--site", SITE, "--batch", "brown-9"), f'has no batch "brown-9" on the server; batches there: {NORTH}'),
        (("--site", SITE, "--from", "yesterday"), "is no time"),
    ],
)
def test_wrong_use_names_what_there_is(stranger, run: Run, tmp_path, words, told) -> None:
    code, _, err = run("relay", "read", "--config", stranger, *words, "--out", tmp_path / "x.csv")
    assert code == 2
    assert told in err
    assert list(tmp_path.iterdir()) == []


def test_without_the_configuration_of_the_site_nothing_is_judged(cellar, server, stranger, run: Run, tmp_path) -> None:
    """The site is older than its relay and never sent its past: its readings can be read back, its batch not judged."""
    told = BatchStarted(batch={"name": "old", "vessel": "v", "pitched": iso(BEGAN)}, received=BEGAN)
    row = Row(1, "entry", BEGAN, BEGAN, None, None, text=JOURNAL.dump_json(told).decode())
    send(server, stranger, lines_of(row, "Old cellar"))
    code, _, err = run(
        "report", "old", "--config", stranger, "--from-server", "Old cellar", "--out", tmp_path / "x.html"
    )
    assert code == 1
    assert "no configuration of site Old cellar; it is older than its relay: do `leeswatch relay backfill`" in err
    assert run("relay", "read", "--config", stranger, "--site", "Old cellar", "--out", tmp_path / "x.csv")[0] == 0


def test_without_a_relay_nothing_can_be_read_back(cellar, run: Run, tmp_path) -> None:
    config = tmp_path / "plain.toml"
    config.write_text(cellar.text, encoding="utf-8")
    for words in (
        ("relay", "read", "--out", tmp_path / "x.csv"),
        ("relay", "sites"),
        ("report", NORTH, "--from-server", "--out", tmp_path / "x.html"),
        ("batch", "compare", NORTH, SOUTH, "--beside-site", SITE),
    ):
        code, _, err = run(*words, "--config", config)
        assert (code, "no [relay] is configured; add [relay]" in err) == (2, True), err


def test_the_site_does_not_swallow_the_name_of_the_batch(stranger, run: Run) -> None:
    """`--from-server amber-1` means the site amber-1: the sentence says how it is written."""
    code, _, err = run("report", "--config", stranger, "--from-server", NORTH)
    assert code == 2
    assert f"leeswatch report NAME --from-server '{NORTH}'" in err
