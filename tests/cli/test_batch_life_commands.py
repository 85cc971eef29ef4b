"""`leeswatch batch`: start, rack, split, merge, close, reopen, add, note, photo, show, history, plan, undo."""

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import DAY, HOUR, iso
from monitor.model.deeds import Merged, Photo, Racked, Split, Undone
from monitor.model.inputs import Added, BatchClosed, BatchStarted, StageChanged
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader

from .helpers import DAY_AGO, cellar, parsed, run_here, with_history

JUGS = """
[[vessel]]
name = "jug-a"
volume_l = 20
material = "glass"
[[vessel]]
name = "jug-b"
volume_l = 5
material = "glass"
"""
EXCEPT = {"clock-unsure", "store-trouble", "relay-behind", "was-away"}
JPEG = b"\xff\xd8\xff\xe0" + bytes(64)


class Shelf:
    """A cellar on disk and its commands; each must end as expected."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.config = cellar(folder, more=JUGS)

    def __call__(self, *words: object, code: int = 0) -> str:
        """Run `leeswatch batch …`; what it printed (an error where it refused)."""
        got, out, err = run_here(self.capsys, "batch", *words, "--config", self.config)
        assert got == code, (words, out, err)
        return err if code else out

    def told(self, *words: object) -> Any:
        """What it prints as JSON."""
        return parsed(self(*words, "--json"))

    def inputs(self, kind: type) -> list[Any]:
        """Entries of a kind in the store."""
        with Reader(store_path(load_settings(self.config))) as reader:
            return [each for each in reader.inputs() if isinstance(each, kind)]

    def piece(self, name: str) -> dict[str, Any]:
        """What the engine remembers of a batch."""
        with Reader(store_path(load_settings(self.config))) as reader:
            found: dict[str, Any] = json.loads(reader.state()[f"batch:{name}"])
        return found


@pytest.fixture
def batch(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shelf:
    """Nothing has run yet: there is no store."""
    return Shelf(tmp_path, capsys)


def ago(hours: float) -> str:
    return iso(DAY_AGO + DAY - round(hours * HOUR))


def a_pale(batch: Shelf) -> None:
    batch("start", "pale-2", "--vessel", "jug-a", "--litres", "18L", "--og", "1.060", "--pitched", ago(20))


# --- start -------------------------------------------------------------------------------------------------------


def test_a_start_prints_its_forecast_and_says_that_nobody_read_it(batch: Shelf) -> None:
    """The range is printed; what is stored is what went in, never a reading that was not taken."""
    words = ("start", "pale-2", "--vessel", "jug-a", "--litres", "19", "--sugar", "sucrose=3", "--grain", "corn=2.3",
             "--enzymes", "added", "--range", "18", "26", "--limit", "14", "--yeast", "ale",
             "--pitched", ago(20))  # fmt: skip
    out = batch(*words)
    assert "pale-2: pitched in jug-a" in out
    assert "original gravity 1.089 by what went in (1.081 to 1.096)" in out
    assert "a forecast, not a reading" in out
    assert out.endswith("a mistake? leeswatch batch undo pale-2\n")
    (started,) = batch.inputs(BatchStarted)
    assert "original_gravity" not in started.batch
    assert started.batch["ingredients"] == {"sugar_kg": {"sucrose": 3.0}, "grain_kg": {"corn": 2.3}, "enzymes": "added"}
    assert batch.piece("pale-2")["original_told"] is False
    assert batch.piece("pale-2")["original"] == pytest.approx(1.0891, abs=0.0005)
    assert batch.piece("pale-2")["alcohol_limit"] == 14.0
    told = batch.told("show", "pale-2")
    assert (told["original_how"], told["volume_l"], told["yeast"]) == ("forecast", 19.0, "ale")


def test_a_measured_original_gravity_counts_over_the_forecast(batch: Shelf) -> None:
    """Both are printed, and the measured one is kept."""
    words = ("start", "p", "--vessel", "jug-a", "--litres", "10", "--sugar", "sucrose=1", "--og", "1.041")
    told = batch.told(*words)
    assert told["forecast"]["og"] == pytest.approx(1.0383, abs=0.001)
    assert any("you measured 1.0410, and that counts" in note for note in told["notes"])
    assert batch.told("show", "p")["original_how"] == "told"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("amber-1", "--vessel", "jug-a"), "there is a batch amber-1 already; give it another name"),
        (("p", "--vessel", "bucket-a"), "vessel bucket-a holds batch amber-1; say first where that one went"),
        (("p", "--vessel", "tun"), "there is no vessel tun; vessels: bucket-a, bucket-b, jug-a, jug-b"),
        (("P!", "--vessel", "jug-a"), "a name is 1 to 63 of a-z"),
        (("p", "--vessel", "jug-a", "--litres", "25"), "25 L do not fit into jug-a, which holds 20 L"),
        (("p", "--vessel", "jug-a", "--sugar", "sucrose=2"), "say how many litres it is, all mixed (--litres)"),
        (("p", "--vessel", "jug-a", "--litres", "9", "--sugar", "moon=2"), "sugar must be one of sucrose"),
        (("p", "--vessel", "jug-a", "--litres", "9", "--sugar", "sucrose=200"), "half a kilogram a litre"),
        (("p", "--vessel", "jug-a", "--pitched", "2097-01-01T00:00:00Z"), "is still to come"),
        (("p", "--vessel", "jug-a", "--range", "26", "18"), "it should be [lowest, highest]"),
        (("p", "--vessel", "jug-a", "--og", "1.9"), "less than or equal to 1.2"),
        (("p", "--vessel", "jug-a", "--jar", "j1"), "there is no jar j1 on the shelf"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)  # fmt: skip
def test_a_start_that_cannot_be_is_refused(batch: Shelf, words: tuple[str, ...], said: str) -> None:
    """Exit 2 with the reason and the remedy; not even a store is made."""
    assert said in batch("start", *words, code=2)
    assert not (batch.folder / "store.db").exists()


@pytest.mark.parametrize("amount", ["1lb", "2gal", "0g", "g", "5", "1e3g", "three kg"])
def test_other_units_are_refused_with_what_to_write(batch: Shelf, amount: str) -> None:
    """Metric only, and the error says so."""
    err = batch("add", "amber-1", "sugar", amount, "--when", ago(1), code=2)
    assert "write a number above 0 and kg, g, L or mL, such as 500g or 2L" in err


# --- what goes in ------------------------------------------------------------------------------------------------


def test_sugar_in_steps_makes_one_original_gravity(batch: Shelf) -> None:
    """Each feed is told with its rise; strength is reckoned from all of it, and an undo takes its share off."""
    a_pale(batch)
    batch("reading", "pale-2", "1.030", "--at", "20", "--when", ago(10))
    before = batch.told("show", "pale-2")["strength"]["abv"]
    first = batch.told("add", "pale-2", "sugar", "500g", "--when", ago(8))
    second = batch.told("add", "pale-2", "honey", "0,5kg", "--when", ago(6))
    assert 0.007 < first["gravity_rise"] < 0.011
    assert 0.004 < second["gravity_rise"] < first["gravity_rise"]  # honey holds water
    told = batch.told("show", "pale-2")
    assert told["original"] == pytest.approx(1.060 + first["gravity_rise"] + second["gravity_rise"], abs=2e-5)
    assert told["strength"]["original"] == pytest.approx(told["original"], abs=2e-5)
    assert told["strength"]["abv"] == pytest.approx(
        before * 18.0 / told["volume_l"], abs=0.06
    )  # thinned, and none fermented
    assert [each["sugar"] for each in told["additions"]] == ["sucrose", "honey"]
    assert told["volume_l"] > 18.3
    batch("reading", "pale-2", "0.998", "--at", "20", "--when", ago(1))
    assert batch.told("show", "pale-2")["strength"]["abv"] > before + 4.0
    batch("undo", "pale-2", "--of", ago(8))
    assert batch.piece("pale-2")["original"] == pytest.approx(1.060 + second["gravity_rise"], abs=1e-9)


def test_water_that_was_measured_leaves_the_strength_known(batch: Shelf) -> None:
    """So many litres thin it by so much; without the amount nobody knows its strength any more."""
    a_pale(batch)
    batch("reading", "pale-2", "1.030", "--at", "20", "--when", ago(10))
    out = batch("add", "pale-2", "water", "1L", "--when", ago(8))
    assert "a hydrometer should show about 1.028 once it is stirred in\n" in out
    told = batch.told("show", "pale-2")
    assert told["strength"] is not None
    assert told["original"] < 1.058
    batch("add", "pale-2", "water", "--when", ago(7))
    assert "nobody said how much" in batch.told("show", "pale-2")["no_strength"]
    batch("undo", "pale-2")
    assert batch.told("show", "pale-2")["strength"] is not None


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("juice", "2L"), "what juice brings is not known: give --rise"),
        (("sugar",), "how much was not said"),
        (("sugar", "100g"), "cannot be reckoned: how much it is was not told when it was started"),
    ],
    ids=["juice", "no amount", "no volume"],
)  # fmt: skip
def test_what_cannot_be_reckoned_is_noted_and_said(batch: Shelf, words: tuple[str, ...], said: str) -> None:
    """It went in all the same."""
    assert said in batch("add", "amber-1", *words, "--when", ago(1))
    assert [each.gravity_rise for each in batch.inputs(Added)] == [None]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("sugar", "500g", "--sugar", "moondust"), "moondust is no sugar that is known; known: sucrose"),
        (("syrup", "1L", "--sugar", "honey"), "sugar and syrup are told by weight"),
        (("sugar", "500g", "--when", "2001-01-01T00:00:00Z"), "before batch pale-2 was pitched"),
        (("sugar", "50kg"), "that cannot be"),
        ((" ", "5g"), "what was added has no name"),
    ],
    ids=["no sugar", "by volume", "too early", "too much", "nothing"],
)  # fmt: skip
def test_an_addition_that_cannot_be_is_refused(batch: Shelf, words: tuple[str, ...], said: str) -> None:
    """Nothing is written."""
    a_pale(batch)
    assert said in batch("add", "pale-2", *words, code=2)
    assert batch.inputs(Added) == []


# --- where it goes -----------------------------------------------------------------------------------------------


def test_a_life_from_bucket_to_jug_and_back(batch: Shelf) -> None:
    """Racked with what arrived, split, merged again, staged, closed, opened: each as told, and each taken back."""
    a_pale(batch)
    batch("reading", "pale-2", "1.010", "--at", "20", "--when", ago(10))
    out = batch("rack", "pale-2", "--to", "bucket-b", "--litres", "16.9", "--when", ago(9))
    assert "16.9 L in it, 2.1 L of headspace" in out
    assert "no probe is in bucket-b: take readings by hand" in out
    batch("split", "pale-2", "pale-2b", "--vessel", "jug-b", "--litres", "4", "--when", ago(8))
    assert batch.told("show", "pale-2")["volume_l"] == pytest.approx(12.9)
    part = batch.told("show", "pale-2b")
    assert (part["split_from"], part["vessel"], part["volume_l"], part["original"]) == ("pale-2", "jug-b", 4.0, 1.06)
    out = batch("merge", "pale-2b", "--into", "pale-2", "--when", ago(7))
    assert "pale-2: original gravity of the whole 1.0600, " in out
    told = batch.told("show", "pale-2")
    assert (told["merged_from"], round(told["volume_l"], 1)) == (["pale-2b"], 16.8)
    assert batch.told("show", "pale-2b")["closed"] == ago(7)
    batch("stage", "pale-2", "cold", "--when", ago(6))
    batch("close", "pale-2", "--when", ago(5))
    assert (batch.piece("pale-2")["stage"], batch.piece("pale-2")["closed"]) == ("cold", True)
    refused = batch("stage", "pale-2", "stored", code=2)
    assert "batch pale-2 is over; open it again first: leeswatch batch reopen pale-2" in refused
    batch("reopen", "pale-2", "--when", ago(4))
    assert batch.piece("pale-2")["closed"] is False
    for _ in range(6):
        batch("undo", "pale-2")
    assert (batch.piece("pale-2")["vessel"], batch.piece("pale-2")["stage"]) == ("jug-a", "fermenting")
    kinds = [len(batch.inputs(kind)) for kind in (Racked, Split, Merged, StageChanged, BatchClosed, Undone)]
    assert kinds == [1, 1, 1, 1, 1, 6]
    history = batch("history", "pale-2")
    assert history.count("[taken back on ") == 6
    assert " - racked to bucket-b, 16.9 L arrived  [taken back on " in history


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("rack", "pale-2", "--to", "jug-a"), "is in jug-a already"),
        (("rack", "pale-2", "--to", "bucket-a"), "vessel bucket-a holds batch amber-1"),
        (("rack", "pale-2", "--to", "jug-b"), "18.0 L do not fit into jug-b"),
        (("rack", "pale-2", "--to", "bucket-b", "--litres", "30"), "30 L cannot arrive: there were 18.0 L"),
        (("rack", "pale-2", "--to", "bucket-b", "--loss", "30"), "30 L cannot stay behind"),
        (("rack", "pale-9", "--to", "bucket-b"), "there is no batch pale-9; batches: amber-1, pale-2"),
        (("split", "pale-2", "amber-1", "--vessel", "jug-b", "--litres", "1"), "there is a batch amber-1 already"),
        (("split", "pale-2", "p", "--vessel", "bucket-b", "--litres", "18"), "it is `batch rack`"),
        (("split", "pale-2", "P P", "--vessel", "jug-b", "--litres", "1"), "a name is 1 to 63"),
        (("merge", "pale-2", "--into", "pale-2"), "cannot be poured into itself"),
        (("reopen", "pale-2"), "is not over"),
        (("undo", "pale-2", "--of", "2020-01-01T00:00:00Z"), "leeswatch batch history pale-2"),
        (("undo", "amber-1"), "nothing about batch amber-1 is left to take back"),
        (("note", "pale-2", "  "), "a note has 1 to 4000 characters"),
        (("note", "pale-2", "good", "--score", "7"), "it was tasted (--tasting)"),
        (("note", "pale-2", "good", "--tasting", "--score", "11"), "give 1 to 10"),
        (("plan", "pale-2", "--to", "tun"), "there is no vessel tun"),
        (("plan", "pale-2", "--lees", "a lot"), "write litres such as 1.2L"),
        (("plan", "pale-2", "--lees", "40L"), "the lees must be less than the batch"),
        (("plan", "pale-2", "--diameter", "3"), "20 to 5000 mm wide"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)  # fmt: skip
def test_a_deed_that_cannot_be_is_refused(batch: Shelf, words: tuple[str, ...], said: str) -> None:
    """Exit 2 with the reason and the remedy, and nothing is written."""
    a_pale(batch)
    before = batch.inputs(object)
    assert said in batch(*words, code=2)
    assert batch.inputs(object) == before


# --- taking back -------------------------------------------------------------------------------------------------


def test_an_undo_is_itself_undone_and_a_start_goes_last(batch: Shelf) -> None:
    """The hint of each undo counts it again; a start is not taken back from under what was done since."""
    a_pale(batch)
    start = batch.inputs(BatchStarted)[0]
    batch("note", "pale-2", "smells of bread", "--when", ago(3))
    assert "has 1 other entry; take" in batch("undo", "pale-2", "--of", iso(start.received), code=2)
    undone = batch.told("undo", "pale-2")
    assert batch.told("show", "pale-2")["notes"] == []
    again = undone["undo"].split("leeswatch batch ")[1].split()
    assert "counts again: note: smells of bread" in batch(*again)
    assert len(batch.told("show", "pale-2")["notes"]) == 1
    assert "taken back already" not in batch("undo", "pale-2")
    assert "taken back already" in batch("undo", "pale-2", "--of", ago(3), code=2)
    batch("undo", "pale-2")
    assert "there is no batch pale-2" in batch("show", "pale-2", code=2)
    a_pale(batch)
    assert batch.told("show", "pale-2")["vessel"] == "jug-a"


def test_an_undo_never_puts_two_batches_into_one_vessel(batch: Shelf) -> None:
    """A close cannot be taken back once another batch stands in its vessel."""
    batch("close", "amber-1")
    batch("start", "pale-2", "--vessel", "bucket-a")
    assert "that would put amber-1 and pale-2 into one vessel, bucket-a" in batch("undo", "amber-1", code=2)
    assert "vessel bucket-a holds batch pale-2" in batch("reopen", "amber-1", code=2)


def test_two_deeds_of_one_minute_are_told_apart_by_when_they_were_told(batch: Shelf) -> None:
    """The refusal names both; the exact time takes one back."""
    a_pale(batch)
    for text in ("one", "two"):
        batch("note", "pale-2", text, "--when", ago(3))
    err = batch("undo", "pale-2", "--of", ago(3), code=2)
    assert "2 entries are of that time" in err
    first = batch.told("history", "pale-2")[1]
    assert "note: one" in batch("undo", "pale-2", "--of", first["received"])


# --- words, pictures, and what is known ----------------------------------------------------------------------------


def test_notes_and_photos_are_kept(batch: Shelf) -> None:
    """A photo lies beside the store, named by what is in it: the same one twice is one file."""
    a_pale(batch)
    picture = batch.folder / "jug.jpg"
    picture.write_bytes(JPEG)
    batch("note", "pale-2", "eggs", "--off-smell")
    batch("note", "pale-2", "apples", "--tasting", "--score", "7")
    one = batch.told("photo", "pale-2", picture, "--caption", "day 2", "--clearness", "hazy")
    two = batch.told("photo", "pale-2", picture)
    assert one["file"] == two["file"]
    assert [each.name for each in (batch.folder / "photos").iterdir()] == [one["file"]]
    assert (batch.folder / "photos" / one["file"]).read_bytes() == JPEG
    told = batch.told("show", "pale-2")
    assert [each["text"] for each in told["off_smells"]] == ["eggs"]
    assert [(each["text"], each["score"]) for each in told["tastings"]] == [("apples", 7)]
    assert [each.get("clearness") for each in told["photos"]] == ["hazy", None]
    assert "the file stays" in batch("undo", "pale-2")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"#!/bin/sh\nrm", "no picture by its first bytes"),
        (b"", "no picture by its first bytes"),
        (b"\x89PNG\r\n\x1a\n" + bytes(20_000_001), "at most 20 MB are kept"),
        (None, "cannot be read: No such file"),
    ],
    ids=["a script", "empty", "too large", "none"],
)  # fmt: skip
def test_what_is_no_photo_is_refused(batch: Shelf, content: bytes | None, said: str) -> None:
    """By its first bytes, whatever its name says; nothing is kept."""
    picture = batch.folder / "jug.jpg"
    if content is not None:
        picture.write_bytes(content)
    assert said in batch("photo", "amber-1", picture, code=2)
    assert not (batch.folder / "photos").exists()
    assert batch.inputs(Photo) == [] if (batch.folder / "store.db").exists() else True


@pytest.mark.parametrize(
    ("content", "kind"),
    [(JPEG, "jpg"), (b"\x89PNG\r\n\x1a\n1", "png"), (b"RIFF\0\0\0\0WEBPVP8", "webp"), (b"\0\0\0\x18ftypheic", "heic")],
    ids=["jpg", "png", "webp", "heic"],
)  # fmt: skip
def test_each_kind_of_picture_is_known(batch: Shelf, content: bytes, kind: str) -> None:
    """By its own signature."""
    (batch.folder / "x").write_bytes(content)
    assert batch.told("photo", "amber-1", batch.folder / "x")["file"].endswith(f".{kind}")


def test_a_configured_batch_is_as_good_as_a_started_one(batch: Shelf) -> None:
    """Before anything ran it can be looked at; then noted on, racked and planned for."""
    assert "pitched in bucket-a, as the configuration says" in batch("history", "amber-1")
    plan = batch.told("plan", "amber-1", "--to", "jug-a")
    assert (plan["volume_l"], plan["to_l"]) == (19.0, 20.0)
    assert "nobody said" in plan["volume_how"]
    batch("rack", "amber-1", "--to", "jug-a", "--litres", "17", "--when", ago(2))
    assert batch.told("show", "amber-1")["vessel"] == "jug-a"
    batch("undo", "amber-1")
    assert batch.told("show", "amber-1")["vessel"] == "bucket-a"


def test_the_plan_says_all_that_racking_needs(batch: Shelf) -> None:
    """Strength with its range, lees, siphon, what arrives, headspace, cautions, the checklist of the configuration."""
    batch.config.write_text(
        batch.config.read_text(encoding="utf-8") + '[practice.racking]\nchecklist = ["whistle"]\n', encoding="utf-8"
    )
    a_pale(batch)
    batch("reading", "pale-2", "1.010", "--at", "20", "--when", ago(1))
    out = batch("plan", "pale-2", "--to", "bucket-b", "--lees", "20mm", "--diameter", "280")
    for said in (
        "racking pale-2 from jug-a to bucket-b", "% by volume (", "apparent attenuation", "lees 1.2 L, 20 mm deep",
        "siphon tip 15 mm above them keeps 0.9 L", "about 15.8 L will arrive, 2.2 L stay behind",
        "headspace in bucket-b: 3.2 L of 19 L", "! Not finished", "[ ] whistle",
    ):  # fmt: skip
        assert said in out
    assert "clean the vessel" not in out
    last = out.splitlines()[-1].strip()
    assert last == "leeswatch batch rack pale-2 --to bucket-b --litres L"
    batch(*last.replace("--litres L", "--litres 15.8").split()[2:])
    batch("undo", "pale-2")
    assert batch.told("plan", "pale-2", "--lees", "1.5L")["lees_l"] == 1.5


# --- replay ------------------------------------------------------------------------------------------------------


def test_an_exported_life_replays_to_the_same_events(
    batch: Shelf, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Racked, split, merged, fed, closed, opened, and half of it taken back: the replay says what was said."""
    with_history(batch.config, fault=False)
    batch("add", "amber-1", "sugar", "--rise", "0.01", "--when", ago(10))
    batch("rack", "amber-1", "--to", "jug-a", "--litres", "17", "--when", ago(9))
    for hours in (8, 7, 6):
        batch("reading", "amber-1", f"1.0{hours + 20}", "--at", "20", "--when", ago(hours))
    batch("split", "amber-1", "amber-1b", "--vessel", "jug-b", "--litres", "4", "--when", ago(5))
    batch("start", "pale-2", "--vessel", "bucket-b", "--litres", "9", "--sugar", "sucrose=1", "--pitched", ago(5))
    batch("close", "amber-1")
    batch("undo", "amber-1")
    batch("undo", "amber-1", "--of", ago(9))
    batch("undo", "pale-2")
    batch("stage", "amber-1b", "cold")
    code, _, err = run_here(capsys, "export", "--config", batch.config, "--out", tmp_path / "life.csv")
    assert (code, err.count("Error")) == (0, 0)
    with Reader(store_path(load_settings(batch.config))) as reader:
        live = [event for _, event in reader.events() if event.get("alert") not in EXCEPT]
    code, _, _ = run_here(
        capsys, "replay", tmp_path / "life.csv", "--config", batch.config, "--events", tmp_path / "again.jsonl"
    )
    assert code == 0
    lines = (tmp_path / "again.jsonl").read_text(encoding="utf-8").splitlines()
    again = [event for event in map(json.loads, lines) if event.get("alert") not in EXCEPT]
    assert {event.get("batch") for event in live} >= {"amber-1", "amber-1b", "pale-2"}
    assert again == live


def test_an_export_of_a_racked_batch_holds_what_was_said_in_each_of_its_vessels(
    batch: Shelf, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By probe in the bucket, then by hand in the jug."""
    with_history(batch.config, fault=False)
    batch("rack", "amber-1", "--to", "jug-a", "--litres", "17", "--when", ago(9))
    batch("reading", "amber-1", "1.012", "--at", "20", "--when", ago(7))
    file = tmp_path / "life.csv"
    code, _, _ = run_here(capsys, "export", "--config", batch.config, "--out", file, "--batch", "amber-1")
    assert code == 0
    said = {line.split(",")[1] for line in file.read_text(encoding="utf-8").splitlines()[1:]}
    assert {"float-a", "hand:jug-a"} <= said


def test_a_store_of_another_version_is_not_misread(batch: Shelf) -> None:
    """It says what brings it up to date, instead of showing half of it."""
    a_pale(batch)
    with sqlite3.connect(batch.folder / "store.db") as store:
        store.execute("UPDATE meta SET value = value - 1 WHERE key = 'state_version'")
    store.close()
    code, _, err = run_here(batch.capsys, "batch", "show", "pale-2", "--config", batch.config)
    assert code != 0
    assert "start `leeswatch run` once" in err
    batch("note", "pale-2", "it is there", code=1)
