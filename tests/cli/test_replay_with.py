"""`leeswatch replay --with`: a past batch, as simulated, under another configuration."""

import json
from collections import Counter
from pathlib import Path

import pytest

from monitor.model.clock import HOUR, iso, parse_time
from monitor.settings import load_settings

from .helpers import parsed, run_here
from .replay_past import began, changed, events_of, record_past, with_journal


@pytest.fixture(scope="session")
def past(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A stalled batch that was stirred up and a beer, each with its configuration beside it as X.toml."""
    return record_past(tmp_path_factory.mktemp("past"))


def test_the_comparison_says_what_is_another(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Settings that differ, differences at the site's time, and a summary; the same as data."""
    path = past["roused-stall"]
    other = changed(path, tmp_path / "other.toml", ("yeast_range_c = [16.0, 28.0]", "yeast_range_c = [2, 20]"),
                    ('timezone = "UTC"', 'timezone = "Asia/Tokyo"'))  # fmt: skip
    files = ("replay", path, "--config", changed(path, tmp_path / "here.toml", ("UTC", "Asia/Tokyo")))

    code, out, err = run_here(capsys, *files, "--with", other)
    assert code == 0
    assert "batch[lazarus].yeast_range_c" in out
    assert "16.0, 28.0" in out
    assert "here.toml against other.toml, times of Asia/Tokyo" in out
    assert "lazarus waiting:" not in out, "the comparison alone; without --with there is the story"
    rows = len(path.read_text(encoding="utf-8").splitlines()) - 1
    assert err.startswith(f"{rows} readings")

    found = parsed(run_here(capsys, *files, "--with", other, "--json")[1])
    mine = events_of(path, tmp_path / "here.toml", tmp_path / "here.jsonl", capsys)
    theirs = events_of(path, other, tmp_path / "there.jsonl", capsys)
    for alert in ("ferment-too-cold", "ferment-too-warm"):
        raised = [
            [event["time"] for event in events if event.get("alert") == alert and event["change"] == "raised"]
            for events in (mine, theirs)
        ]
        told = [row for row in found["differences"] if (row["kind"], row["said"]) == ("alert", alert)]
        assert {row["here"] for row in told} - {None} == set(raised[0]) - set(raised[1])
        assert {row["there"] for row in told} - {None} == set(raised[1]) - set(raised[0])
        assert told
    assert found["zone"] == "Asia/Tokyo"
    assert found["settings"] == [
        {"key": "batch[lazarus].yeast_range_c", "here": [16.0, 28.0], "there": [2.0, 20.0]}
    ]  # fmt: skip
    ways = Counter(row["difference"] for row in found["differences"] if row["kind"] in ("verdict", "alert"))
    assert found["summary"]["only_there"] == ways["only there"]
    assert found["summary"]["only_here"] == ways["only here"]
    summary = found["summary"]
    assert (
        f"other.toml tells {summary['earlier']} verdicts or alerts earlier and {summary['later']} later, "
        f"{summary['only_there']} that here.toml does not, and not {summary['only_here']} that it does; " in out
    )


def test_a_finish_by_a_wrong_expectation_is_told_falsely(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The batch stood at 1.028 and was stirred: the run that expects it to stop there calls it finished, falsely."""
    path = past["roused-stall"]
    other = changed(path, tmp_path / "other.toml", ("expected_final = 0.996", "expected_final = 1.028"))
    files = ("replay", path, "--config", path.with_suffix(".toml"), "--with", other)

    found = parsed(run_here(capsys, *files, "--json")[1])

    false = [row for row in found["differences"] if row["said"] == "finished" and row["there_later"] is not None
             and row["there_later"]["outcome"] == "false"]  # fmt: skip
    assert false
    assert parse_time(false[0]["there_later"]["at"]) > parse_time(false[0]["there"])
    assert found["summary"]["told_falsely"]["there"]["finished"] == 1
    assert "falsely: " in run_here(capsys, *files)[1]


def test_nothing_that_differs_is_said_plainly(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Other words of the same configuration, and a key that no rule sees, tell the same."""
    path = past["quiet-beer"]
    other = changed(path, tmp_path / "other.toml", ("[site]", "[jobs]\nbackups_kept = 3\n[site]"))
    files = ("replay", path, "--config", path.with_suffix(".toml"), "--with", other)

    assert run_here(capsys, *files)[1].splitlines() == [
        "No setting that the rules see is another.", f"{other} would have said the same at the same times",
    ]  # fmt: skip
    found = parsed(run_here(capsys, *files, "--json")[1])
    assert (found["settings"], found["differences"]) == ([], [])


def test_a_batch_that_people_started_is_compared_too(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It begins when they started it, with what the other configuration says of it."""
    path = past["roused-stall"]
    settings = load_settings(path.with_suffix(".toml")).for_rules().as_json()
    (batch,) = settings.pop("batch")
    copy = tmp_path / path.name
    copy.write_bytes(path.read_bytes())
    at = parse_time(began(path))
    entries = [
        {"kind": "configuration", "received": iso(at), "settings": settings},
        {"kind": "batch", "received": iso(at + 5 * HOUR), "batch": batch},
    ]
    lines = "".join(f"{json.dumps(entry)}\n" for entry in entries)
    copy.with_suffix(".journal.jsonl").write_text(lines, encoding="utf-8")
    other = changed(path, tmp_path / "other.toml", ("yeast_range_c = [16.0, 28.0]", "yeast_range_c = [2, 28]"))

    found = parsed(run_here(capsys, "replay", copy, "--with", other, "--json")[1])

    assert found["settings"] == [{"key": "batch[lazarus].yeast_range_c", "here": [16.0, 28.0], "there": [2.0, 28.0]}]
    told = {(row["said"], row["difference"]) for row in found["differences"]}
    assert ("ferment-too-cold", "only here") in told
    assert ("waiting", "only here") not in told, "both begin when it was started"
    assert not any("earlier" in row["difference"] and row["said"] == "waiting" for row in found["differences"])


def test_a_batch_that_the_other_does_not_name_runs_on(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """People started it, whatever the configurations say: it is no difference."""
    path = past["quiet-beer"]
    settings = load_settings(path.with_suffix(".toml")).for_rules().as_json()
    (batch,) = settings.pop("batch")
    copy = tmp_path / path.name
    copy.write_bytes(path.read_bytes())
    entries = [
        {"kind": "configuration", "received": began(path), "settings": settings},
        {"kind": "batch", "received": iso(parse_time(began(path)) + HOUR), "batch": batch},
    ]
    lines = "".join(f"{json.dumps(entry)}\n" for entry in entries)
    copy.with_suffix(".journal.jsonl").write_text(lines, encoding="utf-8")
    head = path.with_suffix(".toml").read_text(encoding="utf-8").partition("[[batch]]")[0]
    (tmp_path / "other.toml").write_text(f"{head}\n[alerts]\nremind_every = '3h'\n", encoding="utf-8")

    found = parsed(run_here(capsys, "replay", copy, "--with", tmp_path / "other.toml", "--json")[1])

    assert found["settings"] == [{"key": "alerts.remind_every", "here": 43200.0, "there": 10800.0}]
    assert {row["kind"] for row in found["differences"]} <= {"reminders"}


@pytest.mark.parametrize(
    ("pair", "words"),
    [
        (("lazarus", "lazarsu"), "names batch lazarsu, which {path} does not have; did you mean lazarus?"),
        (("bucket", "pail"), "names vessel pail, which {path} does not have; its vessels: bucket"),
        (("float-a", "float-b"), "names probe float-b, which {path} does not have; did you mean float-a?"),
    ],
)
def test_a_name_that_was_not_there_is_refused(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], pair: tuple[str, str], words: str
) -> None:
    """Before anything runs: a mistyped name would make everything differ."""
    path = past["roused-stall"]
    other = changed(path, tmp_path / "other.toml", pair)
    events = tmp_path / "events.jsonl"

    code, out, err = run_here(capsys, "replay", path, "--config", path.with_suffix(".toml"), "--with", other,
                              "--events", events)  # fmt: skip

    assert (code, out) == (2, "")
    assert f"leeswatch: {other} {words.format(path=path)}" in err
    assert "give the things the names they had, or leave out what was not there" in err
    assert not events.exists()


def test_a_probe_that_only_the_recording_knows_may_be_named(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The configuration of the day forgot it; what its readings would have told is a good question."""
    path = past["roused-stall"]
    forgot = changed(path, tmp_path / "forgot.toml", ('probes = ["float-a"]', "probes = []"),
                     ('name = "float-a"', 'name = "float-z"'))  # fmt: skip

    code, out, err = run_here(capsys, "replay", path, "--config", forgot, "--with", path.with_suffix(".toml"))

    assert (code, "only there" in out) == (0, True), err


def test_the_same_file_twice_is_a_mistake(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Unless the journal holds another configuration: then it shows what this one would have said."""
    path = past["roused-stall"]
    config = path.with_suffix(".toml")
    code, out, err = run_here(capsys, "replay", path, "--config", config, "--with", config)
    assert (code, out) == (2, "")
    assert f"{config} is given twice; name another configuration after --with" in err

    copy = with_journal(path, tmp_path, yeast_range_c=[2, 28])
    code, out, err = run_here(capsys, "replay", copy, "--config", config, "--with", config)
    assert code == 0
    assert "ferment-too-cold" in out
    assert "here: the journal" in out
    copy = with_journal(path, tmp_path)
    assert run_here(capsys, "replay", copy, "--config", config, "--with", config)[0] == 2


def test_a_journal_with_a_configuration_is_enough(
    past: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--config` may then be left out; without such a journal it is asked for."""
    path = past["quiet-beer"]
    with_config = run_here(capsys, "replay", path, "--config", path.with_suffix(".toml"))
    without = run_here(capsys, "replay", with_journal(path, tmp_path))
    assert without[:2] == with_config[:2]

    code, out, err = run_here(capsys, "replay", path)
    assert (code, out) == (2, "")
    assert f"--config is needed: no journal beside {path} holds a configuration" in err
