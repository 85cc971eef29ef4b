"""A fleet of many vessels: seeded, each with a course of its own, on real brokers and straight into a ledger."""

from __future__ import annotations

import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.intake.decode import Decoder
from monitor.ledger import Ledger
from monitor.model.inputs import Configured
from monitor.settings import parse_settings
from monitor.store.store import Store
from simulators.fleet import DAYS, HOUR_MS, MINUTE_MS, START_MS, Fleet, Message, main, play
from simulators.wires import private_broker
from tests.fleet.helpers import Ear


def said(fleet: Fleet, minutes: int, site: str | None = None) -> list[Message]:
    return list(fleet.messages(fleet.start_ms, fleet.start_ms + minutes * MINUTE_MS, site=site))


def test_the_same_seed_says_the_same() -> None:
    """To the last digit; another seed, or another fleet, does not."""
    assert said(Fleet(20, 2, seed=5), 5) == said(Fleet(20, 2, seed=5), 5)
    assert said(Fleet(20, 2, seed=5), 5) != said(Fleet(20, 2, seed=6), 5)


def test_every_vessel_speaks_once_a_minute_at_a_time_of_its_own() -> None:
    """In order of time, spread over the minute, gravity and temperature each."""
    messages = said(Fleet(30, 3), 4)

    assert len(messages) == 30 * 4
    assert all(one.measured_ms < two.measured_ms for one, two in pairwise(messages))
    assert len({each.measured_ms % MINUTE_MS for each in messages}) == 30
    assert {each.probe for each in messages} == {f"float-vat-{number:04}" for number in range(30)}
    for number in range(3):
        assert len(said(Fleet(30, 3), 4, f"site-{number + 1}")) == 40


def test_each_has_kinetics_of_its_own_and_they_are_in_all_phases() -> None:
    """Original gravities, temperatures and how far they are differ; each falls, and none rises but by its noise."""
    fleet = Fleet(40)
    begin = {vat.name: vat.at(0.0) for vat in fleet.vats}
    later = {vat.name: vat.at(48.0) for vat in fleet.vats}

    assert len({round(vat.original, 4) for vat in fleet.vats}) > 30
    assert len({round(celsius, 2) for _, celsius in begin.values()}) > 30
    done = [1.0 - (begin[vat.name][0] - 0.99) / (vat.original - 0.99) for vat in fleet.vats]
    assert min(done) < 0.1
    assert max(done) > 0.9
    for name, (gravity, celsius) in later.items():
        assert gravity <= begin[name][0] + 1e-9
        assert 0.98 < gravity < 1.12
        assert 10.0 < celsius < 35.0


def test_a_few_probes_fall_silent_for_good() -> None:
    """About one in a hundred, within two days."""
    fleet = Fleet(1000)
    silent = [vat for vat in fleet.vats if vat.silent_h < DAYS * 24]

    assert 3 <= len(silent) <= 25
    fleet.vats = silent
    end = START_MS + 49 * HOUR_MS
    assert list(fleet.messages(end, end + MINUTE_MS)) == []


def test_history_goes_back_to_when_each_was_pitched() -> None:
    """Asked for days before the start, each speaks from its own pitching on."""
    fleet = Fleet(10)
    begin = fleet.start_ms - 8 * 24 * HOUR_MS
    first: dict[str, int] = {}
    for message in fleet.messages(begin, fleet.start_ms, HOUR_MS):
        first.setdefault(message.probe, message.measured_ms)

    assert len(first) == 10
    for vat in fleet.vats:
        since = (first[f"float-{vat.name}"] - fleet.start_ms) / HOUR_MS
        assert vat.pitched_h <= since < vat.pitched_h + 1.1


def test_a_ledger_takes_its_readings() -> None:
    """With the configuration of its site: all are new, and each vessel has its track and its batch."""
    fleet = Fleet(12)
    (site,) = fleet.sites
    settings = parse_settings(fleet.configuration(site)).for_rules()
    with Store.private() as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        with ledger.commit():
            ledger.put(Configured(settings=settings.as_json(), received=fleet.start_ms - 1))
            added = [ledger.put(each) for each in fleet.readings(fleet.start_ms, fleet.start_ms + 5 * MINUTE_MS)]

    assert added == ["new"] * (12 * 5 * 2)
    assert len(ledger.state.batches) == 12
    assert len(ledger.state.tracks) == 24


def test_over_real_brokers_each_site_hears_its_own(tmp_path: Path) -> None:
    """Every message arrives, and the configured probe reads it."""
    fleet = Fleet(10, 2)
    with (
        private_broker(tmp_path / "1") as one,
        private_broker(tmp_path / "2") as two,
        Ear(one.port) as ear_1,
        Ear(two.port) as ear_2,
    ):
        assert play(fleet, {"site-1": one.port, "site-2": two.port}, 0.05, rate=60.0) == 30
        ear_1.wait(lambda: len(ear_1.heard) == 15)
        ear_2.wait(lambda: len(ear_2.heard) == 15)
        heard = {topic: payload for topic, payload, _ in ear_1.heard}
    probes = {probe.topic: probe for probe in parse_settings(fleet.configuration("site-1")).probe}

    assert set(heard) == set(probes)
    for topic, payload in heard.items():
        samples, unreadable = Decoder(probes[topic]).decode(payload, topic)
        assert [each.quantity for each in samples] == ["gravity", "temperature"]
        assert not unreadable


def test_the_command_writes_a_configuration_for_each_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All of them are good, and together they hold all vessels; what cannot be is refused."""
    assert main(["--vessels", "23", "--sites", "4", "--out", str(tmp_path / "fleet")]) == 0
    found = [parse_settings(path.read_text()) for path in sorted((tmp_path / "fleet").iterdir())]
    assert sorted(len(each.vessel) for each in found) == [5, 6, 6, 6]
    assert capsys.readouterr().out.count("vessels") == 4
    for words in (["--vessels", "2", "--sites", "3"], ["--rate", "0.5"], ["--play", "nowhere=1"]):
        with pytest.raises(SystemExit) as end:
            main(words)
        assert end.value.code == 2


def test_it_is_played_from_the_command_line(tmp_path: Path) -> None:
    """As a process beside a broker, with times that do not lie in the future."""
    with private_broker(tmp_path / "broker") as broker, Ear(broker.port) as ear:
        done = subprocess.run(
            [sys.executable, "-m", "simulators.fleet", "--vessels", "5", "--play", f"site-1={broker.port}",
             "--minutes", "0.02", "--rate", "100"],
            capture_output=True, text=True, timeout=30, check=True,
        )  # fmt: skip
        assert done.stdout == "10 messages\n"
        ear.wait(lambda: len(ear.heard) == 10)
