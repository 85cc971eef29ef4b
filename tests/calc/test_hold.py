"""`leeswatch calc hold` over a recording."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from monitor.cli.main import main

START = datetime(2026, 3, 1, tzinfo=UTC)


def write(path, minutes_and_values, probe="jar", quantity="temperature", unit="Cel"):
    """A recording of one probe."""
    lines = ["time,probe,quantity,value,unit"]
    for minutes, value in minutes_and_values:
        time = (START + timedelta(minutes=minutes)).isoformat().replace("+00:00", "Z")
        lines.append(f"{time},{probe},{quantity},{value},{unit}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def ask(capsys, *words):
    assert main(["calc", "hold", *map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_liquid_s_hold_is_read_from_its_probe(tmp_path, capsys):
    """The hold begins when the liquid passes the target and ends exactly so many hours later."""
    recording = write(tmp_path / "r.csv", [(m, max(2.0, 8.0 - m / 30)) for m in range(0, 1000, 10)])
    told = ask(capsys, "--recording", recording, "--probe", "jar", "--to", 4, "--hours", 10)
    assert told["done"] == "2026-03-01T12:00:00.000Z"
    assert told["held"] is True
    assert told["hours"] == pytest.approx(990 / 60 - 2.0)
    assert told["unseen_hours"] == 0.0


def test_a_gap_is_not_cold(tmp_path, capsys):
    """Six unseen hours do not count, and the hold is not called done."""
    minutes = [*range(0, 300, 10), *range(660, 700, 10)]
    recording = write(tmp_path / "r.csv", [(m, 2.0) for m in minutes])
    told = ask(capsys, "--recording", recording, "--probe", "jar", "--to", 4, "--hours", 8)
    assert (told["held"], told["done"]) == (False, None)
    assert told["unseen_hours"] == pytest.approx(370 / 60)
    assert main(["calc", "hold", "--recording", str(recording), "--probe", "jar", "--to", "4", "--hours", "8"]) == 0
    assert "Not yet held: 5.3 of 8 h" in capsys.readouterr().out


def test_air_is_not_the_liquid(tmp_path, capsys):
    """By its air a bucket is held half a day later than its air was cold for long enough, and with a range."""
    recording = write(tmp_path / "r.csv", [(m, 2.0) for m in range(0, 4000, 10)], probe="air")
    common = ("--recording", recording, "--probe", "air", "--to", 4, "--hours", 24)
    as_liquid = ask(capsys, *common)
    as_air = ask(capsys, *common, "--measures", "air", "--litres", 19, "--from", 20)
    assert as_liquid["done"] == "2026-03-02T00:00:00.000Z"
    assert as_air["done"] > "2026-03-02T12:00:00.000Z"
    low, high = as_air["hours_range"]
    assert low < as_air["hours"] < high < as_liquid["hours"]


def test_the_air_alone_is_not_enough(tmp_path, capsys):
    """For a hold by the air the vessel and its first temperature must be told."""
    recording = write(tmp_path / "r.csv", [(0, 2.0), (10, 2.0)])
    words = ["calc", "hold", "--recording", str(recording), "--probe", "jar", "--measures", "air", "--to", "4"]
    assert main([*words, "--hours", "1"]) == 2
    assert "--from is missing" in capsys.readouterr().err
    assert main([*words, "--hours", "1", "--from", "20"]) == 2
    assert "--litres is missing" in capsys.readouterr().err


def test_a_probe_that_is_not_there_is_named_with_those_that_are(tmp_path, capsys):
    """A wrong or missing probe name is wrong use, and the recording's probes are listed."""
    recording = write(tmp_path / "r.csv", [(0, 2.0)])
    for words in (["--probe", "jug"], []):
        assert main(["calc", "hold", "--recording", str(recording), *words, "--to", "4", "--hours", "1"]) == 2
        assert "probes with temperature: jar" in capsys.readouterr().err
    gravity = write(tmp_path / "g.csv", [(0, 1.01)], quantity="gravity", unit="1")
    assert main(["calc", "hold", "--recording", str(gravity), "--probe", "jar", "--to", "4", "--hours", "1"]) == 2
    assert "probes with temperature: none" in capsys.readouterr().err


def test_a_recording_that_cannot_be_read_says_so(tmp_path, capsys):
    """A missing file is an error with its name, not a traceback."""
    assert main(["calc", "hold", "--recording", str(tmp_path / "no.csv"), "--probe", "j", "--to", "4", "--hours", "1"])
    assert "no.csv" in capsys.readouterr().err
