"""The files written for a scenario."""

from __future__ import annotations

import csv
import json
import tomllib
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.intake.decode import Decoder
from monitor.settings import parse_settings
from simulators.__main__ import main
from simulators.configure import configuration
from simulators.play import Player
from simulators.record import rows
from simulators.scenario import load, names


@pytest.mark.parametrize("name", names())
def test_the_watcher_takes_every_configuration(name: str) -> None:
    """The configuration of each scenario is read without complaint and names its probes and batches."""
    scenario = load(name)
    settings = parse_settings(configuration(scenario, mqtt_port=18830, store="leeswatch.db"))
    assert [batch.name for batch in settings.batch] == [batch.name for batch in scenario.batch]
    assert [probe.name for probe in settings.probe] == [p.name for p in scenario.probe if p.wire != "hand"]


def test_ports_are_filled_in() -> None:
    """Broker port, serial path, store and start go where they belong."""
    scenario = load("two-siblings")
    text = configuration(
        scenario,
        mqtt_port=18830,
        serial_ports={"larder-air": "ports/larder"},
        store="here.db",
        start_ms=scenario.start_ms + 1500,
    )
    data = tomllib.loads(text)
    assert data["mqtt"]["port"] == 18830
    assert data["store"]["path"] == "here.db"
    assert [probe["port"] for probe in data["probe"] if probe["source"] == "serial"] == ["ports/larder"]
    assert data["batch"][0]["pitched"].timestamp() * 1000 == scenario.start_ms + 1500


def test_received_strictly_increases_and_keys_are_unique() -> None:
    """Rows are in received order, no two at one time, and no probe, quantity and time twice."""
    found = list(rows(Player(load("late-backlog")).emissions))
    received = [datetime.fromisoformat(row[5]) for row in found]
    assert all(a < b for a, b in pairwise(received))
    assert len({row[:3] for row in found}) == len(found)


def test_the_command_writes_all_files(tmp_path: Path) -> None:
    """Recording, configuration, truth and true curves; the truth tells kind and time."""
    assert main(["hand-only", "--out", str(tmp_path / "new")]) == 0
    with (tmp_path / "new" / "hand-only.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.reader(file))
    assert table[0] == ["time", "probe", "quantity", "value", "unit", "received"]
    assert len(table) == 1 + 22
    told = json.loads((tmp_path / "new" / "truth.json").read_text(encoding="utf-8"))
    assert told["batches"]["plain-1"]["kind"] == "finished"
    assert datetime.fromisoformat(told["batches"]["plain-1"]["at"]).year == 2026
    assert (tmp_path / "new" / "hand-only.toml").exists()
    assert (tmp_path / "new" / "true-curves.csv").read_text(encoding="utf-8").startswith("time,vessel,")


def test_without_received_rows_are_in_time_order(tmp_path: Path) -> None:
    """`--no-received` leaves the column out and sorts by measured time."""
    assert main(["late-backlog", "--out", str(tmp_path), "--no-received"]) == 0
    with (tmp_path / "late-backlog.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.reader(file))
    assert table[0] == ["time", "probe", "quantity", "value", "unit"]
    times = [row[0] for row in table[1:]]
    assert times == sorted(times)


def test_list_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    """`list` prints a line for each."""
    assert main(["list"]) == 0
    shown = capsys.readouterr().out
    assert [line.split()[0] for line in shown.splitlines()] == names()


def test_an_unknown_scenario_exits_1(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The answer is the list of those there are, on stderr."""
    assert main(["nowhere", "--out", str(tmp_path)]) == 1
    assert "two-siblings" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["garbled-wires", "two-siblings", "late-backlog", "quiet-beer"])
def test_the_watcher_reads_what_the_recording_says(name: str) -> None:
    """Each message, decoded by the watcher's intake, gives the recording's values and times; a torn one none."""
    player = Player(load(name))
    settings = parse_settings(configuration(player.scenario))
    decoders = {probe.name: Decoder(probe) for probe in settings.probe}
    timed = {probe.name: probe.timed for probe in player.scenario.probe}
    messages = [e for e in player.emissions if e.wire in ("mqtt", "serial") and not e.line.endswith("/status")]
    assert len(messages) > 1000
    for emission in messages:
        samples, _ = decoders[emission.probe].decode(emission.payload, emission.line)
        assert {(s.quantity, s.value, s.time_ms) for s in samples} == {
            (said.quantity, said.value, said.measured_ms if timed[emission.probe] else None)
            for said in emission.readings
        }
