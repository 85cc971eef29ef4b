"""`leeswatch import`: a recording, its journal and its photos into an empty store, and into one that has gone on."""

import hashlib
import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.batches.record import counting
from monitor.engine.state import State
from monitor.intake.recording import Recording, read_journal
from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, MINUTE, SystemClock, iso
from monitor.model.deeds import (
    Clarity,
    Fined,
    Harvested,
    Held,
    Jarred,
    JarUsed,
    Merged,
    Noted,
    Photo,
    Racked,
    Reopened,
    Split,
    Undone,
)
from monitor.model.inputs import (
    Added,
    BatchClosed,
    BatchStarted,
    Configured,
    Exported,
    HandReading,
    JournalEntry,
    Reading,
    ReadingUndone,
    StageChanged,
    Started,
)
from monitor.replay.merging import _content
from monitor.settings import load_settings, store_path
from monitor.store import photos
from monitor.store.reader import Reader
from monitor.store.store import Store

from .helpers import CELLAR, DAY_AGO, cellar, daemon, parsed, run_here, with_history

JPEG = b"\xff\xd8\xff\xe0" + b"a picture of a jug" * 40
LATER = DAY_AGO + 7 * HOUR


def house(folder: Path, text: str = CELLAR) -> Path:
    """A configuration with a store of its own."""
    folder.mkdir(exist_ok=True)
    file = folder / "cellar.toml"
    file.write_text(text, encoding="utf-8")
    return file


def tell(config: Path, entries: Sequence[JournalEntry | Reading], at_ms: int = LATER) -> None:
    """Put inputs into a store, a minute apart."""
    with Store.open(store_path(load_settings(config))) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        first = max(at_ms, store.last_received() + 1)
        with ledger.commit():
            for number, entry in enumerate(entries):
                at = first + number * MINUTE
                is_reading = isinstance(entry, Reading)
                ledger.put(entry._replace(received_ms=at) if is_reading else entry.model_copy(update={"received": at}))


def contents(config: Path) -> dict[str, list[Any]]:
    """Readings, journal and events of a store."""
    with closing(sqlite3.connect(store_path(load_settings(config)))) as connection:
        return {
            "readings": connection.execute(
                "SELECT probe, quantity, measured, received, value FROM readings JOIN series ON id = series"
                " ORDER BY received"
            ).fetchall(),
            "journal": connection.execute("SELECT received, entry FROM journal ORDER BY received").fetchall(),
            "events": connection.execute("SELECT record FROM events ORDER BY id").fetchall(),
        }


def state_of(config: Path) -> State:
    with Reader(store_path(load_settings(config))) as reader:
        return State.restore(reader.state())


def files(folder: Path, name: str = "x") -> dict[str, bytes]:
    """An export's files by name."""
    found = [folder / f"{name}.csv", folder / f"{name}.journal.jsonl", *(folder / f"{name}.photos").glob("*")]
    return {str(file.relative_to(folder)): file.read_bytes() for file in found}


def exported(config: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """The store of a configuration as files beside it."""
    out = config.parent / "x.csv"
    assert run_here(capsys, "export", "--config", config, "--out", out)[0] == 0
    return out


DEEDS: tuple[JournalEntry, ...] = (
    Noted(about="batch:amber-1", text="=smells of bread", at=DAY_AGO + HOUR),
    StageChanged(batch="amber-1", stage="clearing"),
    Fined(batch="amber-1", part=1, what="silica sol", at=DAY_AGO + 3 * HOUR, anyway=True),
    Added(batch="amber-1", what="sugar", amount=0.3, unit="kg", at=DAY_AGO + 2 * HOUR),
    Jarred(jar="lees-1", strain="house", origin="given", volume_ml=250, at=DAY_AGO + 4 * HOUR),
    JarUsed(jar="lees-1", ml=40, at=DAY_AGO + 5 * HOUR),
)


@pytest.fixture
def told(tmp_path: Path) -> Path:
    """A store with a day's readings, deeds, one of them taken back, and a photo."""
    config = house(tmp_path / "there")
    with_history(config)
    tell(config, DEEDS)
    file = photos.keep(store_path(load_settings(config)), JPEG)
    with Reader(store_path(load_settings(config))) as reader:
        note = next(entry for entry in reader.journal() if isinstance(entry, Noted))
    tell(config, [Photo(about="batch:amber-1", file=file, at=DAY_AGO + 6 * HOUR), Undone(of=note.received)])
    return config


# --- into an empty store -------------------------------------------------------------------------------------------


def test_an_export_comes_back_as_it_was_and_goes_out_byte_for_byte(
    told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Readings, journal, events and photos are the same in the new store, and its export gives the same bytes."""
    out = exported(told, capsys)
    fresh = house(tmp_path / "here")

    code, said, err = run_here(capsys, "import", out, "--config", fresh)

    assert (code, err) == (0, "")
    assert "as they were received" in said
    assert "photos filed: 1" in said
    journal = read_journal(out.with_name("x.journal.jsonl"))
    assert contents(fresh)["readings"] == contents(told)["readings"]
    assert [received for received, _ in contents(fresh)["journal"]] == [entry.received for entry in journal]
    exported(fresh, capsys)
    assert files(fresh.parent) == files(told.parent)
    assert len(files(told.parent)) == 3


def test_what_was_imported_replays_to_the_same_events(
    told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The events in the new store are those of a replay of the files, field for field."""
    out = exported(told, capsys)
    fresh = house(tmp_path / "here")
    assert run_here(capsys, "import", out, "--config", fresh)[0] == 0

    code, printed, _ = run_here(capsys, "replay", out, "--config", told, "--events", "-")

    assert code == 0
    assert printed.splitlines() == [line for (line,) in contents(fresh)["events"]]
    assert len(printed.splitlines()) > 2


NAMES = ("amber-1", "amber-2")
TIMES = st.integers(0, 6 * 60).map(lambda minutes: DAY_AGO + minutes * MINUTE)
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=20)
LITRES = st.floats(0.1, 30, allow_nan=False)
DEED = st.one_of(
    st.builds(Noted, about=st.sampled_from([f"batch:{name}" for name in NAMES] + ["jar:lees-1"]), text=WORDS, at=TIMES),
    st.builds(Racked, batch=st.sampled_from(NAMES), to=st.sampled_from(["bucket-a", "bucket-b"]), at=TIMES,
              volume_l=st.none() | LITRES),
    st.builds(Clarity, batch=st.sampled_from(NAMES), clearness=st.sampled_from(["hazy", "clear"]), at=TIMES),
    st.builds(Fined, batch=st.sampled_from(NAMES), part=st.sampled_from([1, 2]), what=WORDS, at=TIMES),
    st.builds(Jarred, jar=st.sampled_from(["lees-1", "lees-2"]), strain=WORDS, origin=st.just("given"),
              volume_ml=LITRES, at=TIMES),
    st.builds(JarUsed, jar=st.just("lees-1"), ml=LITRES, at=TIMES),
    st.builds(StageChanged, batch=st.sampled_from(NAMES), stage=st.sampled_from(["fermenting", "cold"]),
              at=st.none() | TIMES),
    st.builds(BatchStarted, batch=st.builds(dict, name=st.just("amber-2"), vessel=st.just("bucket-b"),
                                            pitched=TIMES.map(iso))),
    st.builds(BatchClosed, batch=st.sampled_from(NAMES), at=st.none() | TIMES),
    st.builds(Added, batch=st.sampled_from(NAMES), what=WORDS, at=TIMES, gravity_rise=st.floats(0, 0.02)),
    st.builds(Split, batch=st.sampled_from(NAMES), name=st.just("amber-3"), vessel=st.just("bucket-b"),
              volume_l=LITRES, at=TIMES),
    st.builds(Merged, batch=st.sampled_from(NAMES), into=st.sampled_from(NAMES), at=TIMES, volume_l=st.none() | LITRES),
    st.builds(Reopened, batch=st.sampled_from(NAMES), at=TIMES),
    st.builds(Held, about=st.sampled_from(["batch:amber-1", "jar:lees-1"]), fridge=st.none() | st.just("larder"),
              target_c=st.floats(0, 6), hours=st.floats(1, 60), at=TIMES),
    st.builds(Harvested, wash=st.just("wash-1"), batch=st.sampled_from(NAMES), strain=WORDS, volume_ml=LITRES,
              generation=st.integers(1, 9), at=TIMES),
    st.builds(Undone, of=st.integers(0, 12).map(lambda number: LATER + number * MINUTE)),
)  # fmt: skip


def what_counts(config: Path) -> dict[str, list[str]]:
    """What counts about each thing, whenever it was received; but for ends, which a merge adds to what came in open."""
    found = {
        about: sorted(_content(entry) for entry in counting(record) if not isinstance(entry, BatchClosed))
        for about, record in state_of(config).records.items()
    }
    return {about: entries for about, entries in found.items() if entries}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(deeds=st.lists(DEED, max_size=12))
def test_any_deeds_come_back(
    deeds: list[JournalEntry], tmp_path_factory: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever was done and taken back, export, import and export give the same bytes, and the records are the same;
    merged into a store that has gone on, the same deeds count, and a second import finds nothing new."""
    folder = tmp_path_factory.mktemp("deeds")
    there, here, other = house(folder / "there"), house(folder / "here"), house(folder / "other")
    with_history(there, hours=1, fault=False)
    tell(there, deeds)
    out = exported(there, capsys)

    assert run_here(capsys, "import", out, "--config", here)[0] == 0
    exported(here, capsys)
    assert files(here.parent) == files(there.parent)
    records = {about: record for about, record in state_of(there).records.items() if record}
    assert {about: record for about, record in state_of(here).records.items() if record} == records

    tell(other, [Started(version="0.1.0", watched_until=None), *stranger(other)], at_ms=DAY_AGO)
    assert run_here(capsys, "import", out, "--config", other, "--no-backup")[0] == 0
    assert what_counts(other) == what_counts(there)
    before = contents(other)
    code, said, _ = run_here(capsys, "import", out, "--config", other, "--json")
    assert code == 0
    assert (parsed(said)["readings"]["new"], parsed(said)["entries"]["new"]) == (0, 0)
    assert contents(other) == before


# --- into a store that has gone on -----------------------------------------------------------------------------------


def stranger(config: Path) -> list[JournalEntry | Reading]:
    """What a store holds that has gone its own way: its configuration, and a reading of its own."""
    told = load_settings(config).for_rules().as_json()
    return [Configured(settings=told), Reading("cellar-air", "temperature", DAY_AGO, 14.0, 0)]


OTHER = CELLAR.replace('name = "amber-1"', 'name = "stout-1"').replace("float-a", "float-z")


@pytest.fixture
def gone_on(tmp_path: Path) -> Path:
    """Another store, with a batch of its own in a vessel of the same name."""
    config = house(tmp_path / "other", OTHER)
    tell(config, [Started(version="0.1.0", watched_until=None), *stranger(config)], at_ms=DAY_AGO)
    return config


def test_a_store_that_has_gone_on_takes_what_is_new(
    told: Path, gone_on: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Readings and deeds keep their own time and are received now; the batch comes in closed; its copy is told."""
    out = exported(told, capsys)
    before = contents(gone_on)

    code, said, _ = run_here(capsys, "import", out, "--config", gone_on)

    after = contents(gone_on)
    assert code == 0
    assert "received now" in said
    assert "batch amber-1 was open there and comes in closed" in said
    assert after["readings"][: len(before["readings"])] == before["readings"]
    assert after["journal"][: len(before["journal"])] == before["journal"]
    wanted = {(*row[:3], row[4]) for row in contents(told)["readings"] + before["readings"]}
    assert {(*row[:3], row[4]) for row in after["readings"]} == wanted
    received = sorted([row[3] for row in after["readings"]] + [at for at, _ in after["journal"]])
    assert len(set(received)) == len(received)
    state = state_of(gone_on)
    assert (state.batches["amber-1"].closed, state.batches["stout-1"].closed) == (True, False)
    assert (state.batches["amber-1"].stage, state.batches["amber-1"].vessel) == ("clearing", "bucket-a")
    kinds = [type(entry) for entry in state.records["batch:amber-1"]]
    assert set(kinds) == {BatchStarted, Noted, StageChanged, Fined, Added, Photo, Undone, BatchClosed}
    note = next(entry for entry in state.records["batch:amber-1"] if isinstance(entry, Noted))
    undone = next(entry for entry in state.records["batch:amber-1"] if isinstance(entry, Undone))
    assert undone.of == note.received
    assert photos.folder_of(store_path(load_settings(gone_on))).joinpath(
        f"{hashlib.sha256(JPEG).hexdigest()[:16]}.jpg"
    ).read_bytes() == JPEG  # fmt: skip
    [copy] = gone_on.parent.glob("store.before-*.db")
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT count(*) FROM readings").fetchone() == (1,)


def test_its_readings_are_those_of_the_batch_that_came_along(
    told: Path, gone_on: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A probe that this store did not know sits where it sat there, is out now, and is never missed."""
    out = exported(told, capsys)
    assert run_here(capsys, "import", out, "--config", gone_on)[0] == 0

    state = state_of(gone_on)
    assert state.place_at("float-a", DAY_AGO + HOUR) == "vessel:bucket-a"
    assert state.place_now("float-a") is None
    with Store.open(store_path(load_settings(gone_on))) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        with ledger.commit() as later:
            ledger.tick(ledger.state.clock.last_ms + 2 * DAY)
    about = {event.about for event in later.events if hasattr(event, "alert")}
    assert "probe:cellar-air" in about
    assert "probe:float-a" not in about
    assert "batch:amber-1" not in about


def test_a_second_import_finds_everything_there(told: Path, gone_on: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is filed twice, nothing is written, and it is said how much is there already."""
    out = exported(told, capsys)
    assert run_here(capsys, "import", out, "--config", gone_on)[0] == 0
    before = contents(gone_on)

    code, said, _ = run_here(capsys, "import", out, "--config", gone_on, "--json")

    found = parsed(said)
    assert code == 0
    assert found["readings"] == {"new": 0, "already_there": 148, "conflicts": 0, "unreadable": 0}
    assert found["entries"]["new"] == 0
    assert found["undo"] is None
    assert contents(gone_on) == before


def test_of_two_values_for_one_time_the_first_stays(
    told: Path, gone_on: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A conflict is counted and told, and the value that was here stays."""
    out = exported(told, capsys)
    first = next(row for row in contents(told)["readings"] if row[1] == "gravity")
    tell(gone_on, [Reading(first[0], first[1], first[2], 1.0999, 0)])

    code, said, _ = run_here(capsys, "import", out, "--config", gone_on)

    assert code == 0
    assert "1 readings have another value here for the same time: what was here first stays" in said
    kept = [row[4] for row in contents(gone_on)["readings"] if row[:3] == first[:3]]
    assert kept == [1.0999]
    with Reader(store_path(load_settings(gone_on))) as reader:
        assert reader.counters()["conflicts"] == 1


def test_a_name_that_means_another_thing_here_is_left_out(told: Path, gone_on: Path, capsys) -> None:
    """A jar and a batch of the same name but another beginning keep their own records, and it is told."""
    out = exported(told, capsys)
    mine = [
        Jarred(jar="lees-1", strain="another", origin="packet", volume_ml=11, at=DAY_AGO),
        BatchStarted(batch={"name": "amber-1", "vessel": "bucket-b", "pitched": iso(DAY_AGO)}),
    ]
    tell(gone_on, mine)
    records = {about: state_of(gone_on).records[about] for about in ("jar:lees-1", "batch:amber-1")}

    code, said, _ = run_here(capsys, "import", out, "--config", gone_on)

    assert code == 0
    assert "whose name means another one here" in said
    assert {about: state_of(gone_on).records[about] for about in records} == records


def test_a_hand_reading_never_goes_to_a_batch_that_was_not_there(
    told: Path, gone_on: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The vessel holds another batch here: readings by hand of the other one are left out and told."""
    typed = HandReading(vessel="bucket-a", hydrometer=1.03, temperature=None, calibrated=20, at=DAY_AGO + HOUR)
    tell(told, [typed, Reading("hand:bucket-a", "hydrometer", DAY_AGO + HOUR, 1.03, 0)])
    out = exported(told, capsys)

    code, said, _ = run_here(capsys, "import", out, "--config", gone_on)

    assert code == 0
    assert "left out: 1 hand readings of a vessel that holds another batch here" in said
    assert state_of(gone_on).batches["stout-1"].hand == []


def test_a_merge_sets_no_clock_ahead(told: Path, gone_on: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """However much comes in, the last of it was received no later than now."""
    out = exported(told, capsys)
    assert run_here(capsys, "import", out, "--config", gone_on)[0] == 0
    last = max(*(row[3] for row in contents(gone_on)["readings"]), contents(gone_on)["journal"][-1][0])
    assert last <= SystemClock().wall_ms()


def test_a_configuration_of_another_version_stops_nothing(
    told: Path, gone_on: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its settings cannot be read: everything else comes in, and into an empty store it is told as a fault."""
    out = exported(told, capsys)
    beside = out.with_name("x.journal.jsonl")
    text = beside.read_text(encoding="utf-8")
    beside.write_text(text.replace('"settings":{', '"settings":{"weather":"fair",'), encoding="utf-8")

    found = parsed(run_here(capsys, "import", out, "--config", gone_on, "--json")[1])
    assert found["readings"]["new"] == 148
    fresh = house(tmp_path / "here")
    found = parsed(run_here(capsys, "import", out, "--config", fresh, "--json")[1])
    assert (found["readings"]["new"], found["rule_faults"]) == (148, 1)


def test_hand_readings_of_a_free_vessel_come_along(told: Path, tmp_path: Path, capsys) -> None:
    """Where no batch is in the vessel, the batch that comes in has its readings by hand."""
    typed = HandReading(vessel="bucket-a", hydrometer=1.03, temperature=None, calibrated=20, at=DAY_AGO + HOUR)
    tell(told, [typed, Reading("hand:bucket-a", "hydrometer", DAY_AGO + HOUR, 1.03, 0)])
    out = exported(told, capsys)
    free = house(tmp_path / "free", OTHER.replace('vessel = "bucket-a"\n', 'vessel = "bucket-b"\n'))
    tell(free, [Started(version="0.1.0", watched_until=None), *stranger(free)], at_ms=DAY_AGO)

    assert run_here(capsys, "import", out, "--config", free)[0] == 0

    assert [point.at_ms for point in state_of(free).batches["amber-1"].hand] == [DAY_AGO + HOUR]


@pytest.mark.parametrize("again", [False, True])
def test_hand_readings_that_were_taken_back_come_along_so(
    told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], again: bool
) -> None:
    """Struck out, or counting again: here its undoing was received at another time, and the undoing of that fits."""
    at = DAY_AGO + HOUR
    tell(told, [Reading("hand:bucket-a", "hydrometer", at, 1.03, 0), ReadingUndone(vessel="bucket-a", at=at)])
    undone = state_of(told).records["batch:amber-1"][-1].received
    if again:
        tell(told, [Undone(of=undone)])
    out = exported(told, capsys)
    free = house(tmp_path / "free", OTHER.replace('vessel = "bucket-a"\n', 'vessel = "bucket-b"\n'))
    tell(free, [Started(version="0.1.0", watched_until=None), *stranger(free)], at_ms=DAY_AGO)

    for _ in range(2):  # the second time all of it is there already
        assert run_here(capsys, "import", out, "--config", free)[0] == 0

    batch = state_of(free).batches["amber-1"]
    assert [point.at_ms for point in batch.hand] == ([at] if again else [])
    assert [point.at_ms for point in batch.struck] == ([] if again else [at])


def test_a_dry_run_says_what_the_import_then_does(told: Path, gone_on: Path, capsys) -> None:
    """The counts are those of the real one, and nothing is written: no copy, no photo, no entry."""
    out = exported(told, capsys)
    before = contents(gone_on)

    dry = parsed(run_here(capsys, "import", out, "--config", gone_on, "--dry-run", "--json")[1])
    assert contents(gone_on) == before
    assert not list(gone_on.parent.glob("*before*"))
    assert not (gone_on.parent / "photos").exists()

    real = parsed(run_here(capsys, "import", out, "--config", gone_on, "--json")[1])
    assert {key: dry[key] for key in ("readings", "entries", "photos")} == {
        key: real[key] for key in ("readings", "entries", "photos")
    }
    assert dry["readings"]["new"] == 148


def test_a_daemon_in_charge_is_left_alone(told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """While a daemon writes the store, the import is refused and says to stop it first."""
    out = exported(told, capsys)
    config = cellar(tmp_path)
    with daemon(config):
        code, _, err = run_here(capsys, "import", out, "--config", config)
    assert code == 1
    assert "stop the daemon, import, then start it again" in err


# --- what cannot be read -------------------------------------------------------------------------------------------


def test_bad_rows_are_told_and_the_good_ones_filed(told: Path, tmp_path: Path, capsys) -> None:
    """Each bad row with file, line and remedy; every good one is in the store."""
    out = exported(told, capsys)
    lines = out.read_text(encoding="utf-8").splitlines()
    lines[5] = lines[5].replace("float-a", "", 1)
    lines[9] = "nonsense"
    out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    fresh = house(tmp_path / "here")

    code, said, err = run_here(capsys, "import", out, "--config", fresh)

    assert code == 0
    assert [line.split(": ")[0] for line in err.splitlines()] == [f"{out}:6", f"{out}:10"]
    assert all(";" in line for line in err.splitlines())
    assert "2 rows could not be read and were passed over" in said
    assert len(contents(fresh)["readings"]) == len(contents(told)["readings"]) - 2


def test_a_bad_line_of_the_journal_stops_it_unless_it_is_left_out(told: Path, tmp_path: Path, capsys) -> None:
    """All bad lines are told, and nothing is filed; with --anyway the rest of the journal is."""
    out = exported(told, capsys)
    beside = out.with_name("x.journal.jsonl")
    lines = beside.read_text(encoding="utf-8").splitlines()
    noted = next(number for number, line in enumerate(lines) if '"note"' in line)
    lines[noted] = lines[noted].replace('"kind":"note"', '"kind":"nothing"')
    lines.append("{")
    beside.write_text("\n".join(lines) + "\n", encoding="utf-8")
    fresh = house(tmp_path / "here")

    code, _, err = run_here(capsys, "import", out, "--config", fresh)
    assert code == 2
    assert f"{beside}:{noted + 1}" in err
    assert f"{beside}:{len(lines)}" in err
    assert not (fresh.parent / "store.db").exists()

    assert run_here(capsys, "import", out, "--config", fresh, "--anyway")[0] == 0
    assert len(contents(fresh)["journal"]) == len(lines) - 2


def test_a_photo_that_is_not_the_one_is_not_kept(told: Path, tmp_path: Path, capsys) -> None:
    """A picture that was changed, or is missing, is told; the rest is filed."""
    out = exported(told, capsys)
    [picture] = out.with_name("x.photos").iterdir()
    picture.write_bytes(JPEG + b"changed")
    fresh = house(tmp_path / "here")

    code, said, _ = run_here(capsys, "import", out, "--config", fresh)
    assert code == 0
    assert "it is not the picture that was kept" in said
    assert not (fresh.parent / "photos").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--batch", "pear-1"), "give --batch, --vessel and --pitched together"),
        (("--batch", "pear-1", "--vessel", "tun", "--pitched", "2026-01-01T00:00:00Z"), "there is no vessel tun"),
        (("--batch", "pear-1", "--vessel", "bucket-b", "--pitched", "2026-02-03T00:00:00Z"), "was measured after"),
        (("--batch", "Pear!", "--vessel", "bucket-b", "--pitched", "2026-01-01T00:00:00Z"), "a name is 1 to 63"),
    ],
)  # fmt: skip
def test_past_batches_that_cannot_be_are_refused(tmp_path: Path, capsys, words: tuple[str, ...], said: str) -> None:
    """What is missing or cannot be is said, and no store is made."""
    config = cellar(tmp_path)
    code, _, err = run_here(capsys, "import", past_file(tmp_path), "--config", config, *words)
    assert code == 2
    assert said in err
    assert not (tmp_path / "store.db").exists()


def test_a_recording_from_the_future_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A clock that runs wrong would set this store ahead for good."""
    file = tmp_path / "x.csv"
    file.write_text("time,probe,quantity,value,unit\n2090-01-01T00:00:00Z,p,temperature,20,Cel\n", encoding="utf-8")
    code, _, err = run_here(capsys, "import", file, "--config", cellar(tmp_path))
    assert code == 2
    assert "still to come" in err or "cannot be read" in err


# --- a file of readings alone ----------------------------------------------------------------------------------------


def past_file(folder: Path) -> Path:
    """Ten days of gravity and temperature from somewhere else, twenty minutes apart."""
    file = folder / "pear.csv"
    lines = ["time,probe,quantity,value,unit"]
    start = 1_767_225_600_000  # 2026-01-01T00:00:00Z
    for number in range(720):
        at = iso(start + number * 20 * MINUTE)
        gravity = 1.0 + 0.05 * 2.718281828 ** (-max(0, number - 40) / 90)
        lines += [f"{at},far-float,gravity,{gravity:.4f},1", f"{at},far-float,temperature,{20 + number % 3 / 10},Cel"]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


PAST = ("--batch", "pear-1", "--vessel", "bucket-a", "--pitched", "2026-01-01T00:00:00Z", "--og", "1.050")


def test_readings_alone_become_a_past_batch_in_an_empty_store(tmp_path: Path, capsys) -> None:
    """The batch is judged as if it had been watched, and is closed; the configured one is not touched."""
    config = cellar(tmp_path)
    code, _, err = run_here(capsys, "import", past_file(tmp_path), "--config", config, *PAST)

    assert (code, err) == (0, "")
    state = state_of(config)
    assert list(state.batches) == ["pear-1"]
    assert state.batches["pear-1"].closed
    verdicts = [json.loads(line)["verdict"] for (line,) in contents(config)["events"] if '"verdict"' in line]
    assert "working" in verdicts
    assert "finished" in verdicts


def test_readings_alone_become_a_past_batch_beside_what_is_there(told: Path, tmp_path: Path, capsys) -> None:
    """In a store that has gone on, even in a vessel in use: closed, without one alert."""
    before = contents(told)
    batch = state_of(told).batches["amber-1"]
    code, said, _ = run_here(capsys, "import", past_file(tmp_path), "--config", told, *PAST)

    after = contents(told)
    state = state_of(told)
    assert code == 0
    assert "1440 readings" in said
    assert state.batches["pear-1"].closed
    assert not state.batches["amber-1"].closed
    assert state.batches["amber-1"].verdict == batch.verdict
    new = [json.loads(line) for (line,) in after["events"][len(before["events"]) :]]
    assert [event for event in new if event.get("about") in ("batch:pear-1", "probe:far-float")] == []
    code, said, _ = run_here(capsys, "import", past_file(tmp_path), "--config", told, *PAST, "--json")
    assert parsed(said)["readings"]["already_there"] == 1440
    assert contents(told) == after


def test_without_a_store_or_batch_the_configuration_tells_what_it_is(tmp_path: Path, capsys) -> None:
    """A recording without a journal is filed under the configuration that is given."""
    config = cellar(tmp_path)
    code, said, _ = run_here(capsys, "import", past_file(tmp_path), "--config", config)
    assert code == 0
    assert "1440 readings and 1 journal entries filed" in said
    assert list(state_of(config).batches) == ["amber-1"]


def test_an_export_of_a_store_that_has_not_changed_is_the_same_export(told: Path, tmp_path: Path, capsys) -> None:
    """Imported and exported twice, no entry is added: the store is as it was."""
    out = exported(told, capsys)
    fresh = house(tmp_path / "here")
    assert run_here(capsys, "import", out, "--config", fresh)[0] == 0
    before = contents(fresh)
    for _ in range(2):
        exported(fresh, capsys)
    assert contents(fresh) == before
    assert isinstance(read_journal(out.with_name("x.journal.jsonl"))[-1], Exported)
    assert len(list(Recording(fresh.parent / "x.csv"))) == len(before["readings"])
