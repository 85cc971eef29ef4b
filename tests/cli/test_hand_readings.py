"""A batch that lives on hand readings, on the command line: typed, taken back, counted again, judged, told."""

import shlex
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import DAY, HOUR, iso
from monitor.model.deeds import Undone
from monitor.model.inputs import HandReading, ReadingUndone
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader

from .helpers import DAY_AGO, cellar, parsed, run_here

NOW = DAY_AGO + DAY
NEEDS = "a verdict by hand needs three hydrometer readings over two days or more, the last within four days: "


class Bench:
    """A cellar on disk without a daemon; each command must end as expected."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.capsys, self.config = capsys, cellar(folder)

    def __call__(self, *words: object, code: int = 0) -> str:
        """Run `leeswatch batch …`; what it printed (an error where it refused)."""
        got, out, err = run_here(self.capsys, "batch", *words, "--config", self.config)
        assert got == code, (words, out, err)
        return err if code else out

    def told(self, *words: object) -> Any:
        """What it prints as JSON."""
        return parsed(self(*words, "--json"))

    def paste(self, text: str, code: int = 0) -> str:
        """Run the command at the end of what was printed."""
        return self(*shlex.split(text.strip().rpartition("leeswatch batch ")[2]), code=code)

    def inputs(self, kind: type) -> list[Any]:
        """Entries of a kind in the store."""
        with Reader(store_path(load_settings(self.config))) as reader:
            return [each for each in reader.inputs() if isinstance(each, kind)]

    def history(self) -> list[tuple[str, bool]]:
        """Gravity of each reading in the history, and whether it counts."""
        return [(each["text"][14:20], each["counts"]) for each in self.told("history", "pear-1") if each["by_hand"]]


def ago(hours: float) -> str:
    return iso(NOW - round(hours * HOUR))


@pytest.fixture
def batch(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    """Pitched twenty days ago, told today, with what its ingredients should give."""
    bench = Bench(tmp_path, capsys)
    bench("start", "pear-1", "--vessel", "bucket-b", "--litres", "19", "--sugar", "sucrose=3", "--pitched", ago(480))
    return bench


def read(batch: Bench, *readings: tuple[float, str]) -> str:
    """Type readings: how many hours ago, what the scale showed; what the last printed."""
    out = ""
    for hours, scale in readings:
        out = batch("reading", "pear-1", scale, "--at", "20", "--when", ago(hours))
    return out


# --- taken back, and counted again ---------------------------------------------------------------------------------


def test_a_reading_taken_back_stays_in_the_history_and_counts_again(batch: Bench) -> None:
    """Struck out with when; the hint of the undoing brings it back, and the hint of that takes it back again."""
    read(batch, (90, "1.040"), (60, "1.030"))
    out = batch("reading", "pear-1", "--undo")
    assert "the reading 1.0300 of" in out
    assert batch.history() == [("1.0400", True), ("1.0300", False)]
    struck = next(line for line in batch("history", "pear-1").splitlines() if "1.0300" in line)
    assert " - read by hand: 1.0300 ± " in struck
    assert "[taken back on 20" in struck
    out = batch.paste(out)
    assert out.startswith("pear-1: counts again: read by hand: 1.0300")
    assert batch.history() == [("1.0400", True), ("1.0300", True)]
    assert "counted again on" in batch("history", "pear-1")
    out = batch.paste(out)
    assert out.startswith("pear-1: taken back: read by hand: 1.0300")
    assert batch.history() == [("1.0400", True), ("1.0300", False)]


def test_the_time_in_the_history_finds_what_was_taken_back(batch: Bench) -> None:
    """Typed as it is printed, to the minute."""
    read(batch, (60, "1.030"))
    batch("reading", "pear-1", "--undo")
    when = batch("history", "pear-1").partition("taken back on ")[2][:16]
    assert "counts again" in batch("undo", "pear-1", "--of", when)
    taken = next(line for line in batch("history", "pear-1").splitlines() if "1.0300" in line)[2:18]
    assert "no longer counts" in batch("reading", "pear-1", "--undo", "--when", taken)


def test_the_hint_of_a_reading_takes_back_that_reading(batch: Bench) -> None:
    """Typed after one that was taken later, it is not the latest."""
    out = read(batch, (60, "1.030"), (90, "1.040"))
    assert "the reading 1.0400 of" in batch.paste(out)
    assert batch.history() == [("1.0400", False), ("1.0300", True)]


def test_two_readings_of_a_minute_are_told_apart(batch: Bench) -> None:
    """Each is named with the command that takes it back."""
    at = NOW - 60 * HOUR
    for seconds, scale in ((1, "1.030"), (31, "1.031")):
        batch("reading", "pear-1", scale, "--at", "20", "--when", iso(at + seconds * 1000))
    err = batch("reading", "pear-1", "--undo", "--when", iso(at), code=2)
    assert "2 readings of batch pear-1 are of that minute" in err
    assert "the reading 1.0310 of" in batch.paste(err)


def test_undo_of_a_readings_time_says_what_to_type(batch: Bench) -> None:
    """Ready to paste: to take it back, and once it is, to count it again."""
    read(batch, (60, "1.030"))
    err = batch("undo", "pear-1", "--of", ago(60), code=2)
    assert "that is a hand reading; to take it back: leeswatch batch reading pear-1 --undo --when" in err
    assert "no longer counts" in batch.paste(err)
    err = batch("undo", "pear-1", "--of", ago(60), code=2)
    assert "was taken back already; to count it again: leeswatch batch undo pear-1 --of" in err
    assert "counts again" in batch.paste(err)
    assert len(batch.inputs(Undone)) == 1


def test_a_reading_given_anew_is_not_doubled(batch: Bench) -> None:
    """The one that was wrong does not count again beside the one that stands in its place."""
    read(batch, (60, "1.030"))
    undone = batch("reading", "pear-1", "--undo")
    read(batch, (60, "1.013"))
    err = batch.paste(undone, code=2)
    assert "there is another reading of that time, 1.0130; take that one back first" in err
    batch.paste(err)
    batch.paste(undone)
    assert batch.history() == [("1.0300", True), ("1.0130", False)]


def test_what_hangs_on_a_start_is_counted_in_words(batch: Bench) -> None:
    """One entry, two entries, one reading, two readings: each as it is said."""
    read(batch, (60, "1.030"))
    assert "batch pear-1 has 1 hand reading;" in batch("undo", "pear-1", code=2)
    read(batch, (30, "1.020"))
    batch("note", "pear-1", "smells of bread")
    start = batch.told("history", "pear-1")[0]["received"]
    assert "batch pear-1 has 1 other entry and 2 hand readings;" in batch("undo", "pear-1", "--of", start, code=2)
    batch("note", "pear-1", "smells of pears")
    assert "batch pear-1 has 2 other entries and 2 hand" in batch("undo", "pear-1", "--of", start, code=2)


# --- when it cannot be -----------------------------------------------------------------------------------------------


def test_a_batch_that_is_over_takes_no_reading_and_gives_none_back(batch: Bench) -> None:
    """The reading would be another batch's in the same vessel, and the undoing would change nothing."""
    read(batch, (60, "1.030"))
    batch("close", "pear-1")
    batch("start", "pear-2", "--vessel", "bucket-b", "--pitched", ago(1))
    for words in (("1.020",), ("--undo",)):
        assert "batch pear-1 is closed; leeswatch batch reopen pear-1" in batch("reading", "pear-1", *words, code=2)
    assert len(batch.inputs(HandReading)) == 1
    assert batch.inputs(ReadingUndone) == []


def test_a_must_is_read_before_the_yeast_goes_in(batch: Bench) -> None:
    """Some hours before is the original gravity; days before is a slip of the pen."""
    read(batch, (490, "1.060"))
    assert batch.told("show", "pear-1")["original"] == pytest.approx(1.060, abs=1e-4)
    err = batch("reading", "pear-1", "1.060", "--when", ago(510), code=2)
    assert "lies more than a day before batch pear-1 was pitched" in err


# --- what is said ----------------------------------------------------------------------------------------------------


def test_the_verdict_says_which_condition_is_not_met(batch: Bench) -> None:
    """List, show and JSON say what a verdict by hand needs, and of that what there is not."""
    for hours, scale, lacks in (
        (470, "1.055", "there is one and the last is 19.6 days old"),
        (420, "1.030", "there are two and the last is 17.5 days old"),
        (350, "1.012", "the last is 14.6 days old"),
    ):
        read(batch, (hours, scale))
        assert f"{NEEDS}{lacks}" in batch("list")
        assert f"    because {NEEDS}{lacks}" in batch("show", "pear-1")
        assert batch.told("show", "pear-1")["judgement"]["because"] == [NEEDS + lacks]
    batch("reading", "pear-1", "--undo")
    assert "there are two and" in batch("list")


def test_one_reading_near_the_pitch_is_what_it_began_at(batch: Bench) -> None:
    """No forecast is named any more, in the sentence, the figures or the JSON; taken back, it is the forecast again."""
    assert batch.told("show", "pear-1")["original_how"] == "forecast"
    read(batch, (479, "1.055"), (420, "1.030"))
    told = batch.told("show", "pear-1")
    assert (told["original"], told["original_how"]) == (pytest.approx(1.055, abs=1e-4), "read")
    assert "from 1.0550" in batch("show", "pear-1")
    assert "the original gravity as it was read" in batch("show", "pear-1")
    batch("reading", "pear-1", "--undo", "--when", ago(479))
    assert "the forecast from what went in, which nobody has read" in batch("show", "pear-1")


def test_what_was_said_of_a_reading_is_not_said_once_it_is_taken_back(batch: Bench, tmp_path: Path) -> None:
    """Stalled by the last reading, which was a slip of the pen: the report warns of it no more."""
    read(batch, (479, "1.058"), (150, "1.040"), (100, "1.040"), (50, "1.040"))
    assert "verdict: stalled" in batch("show", "pear-1")
    for _ in range(2):
        batch("reading", "pear-1", "--undo")
    assert "verdict: unknown" in batch("show", "pear-1")
    out = tmp_path / "report.html"
    code, _, err = run_here(batch.capsys, "report", "pear-1", "--out", out, "--config", batch.config)
    assert code == 0, err
    page = out.read_text(encoding="utf-8")
    beware = page.partition("Beware")[2].partition("</section>")[0]
    assert "stalled" not in beware
    assert "its last gravity is from 6." in beware
    struck = [row for row in page.split("<tr") if row.startswith(' class="deed off"')]
    assert ["Read by hand: 1.0400" in row and "(taken back on" in row for row in struck] == [True, True]


def test_a_reading_is_asked_for_with_what_is_known(batch: Bench) -> None:
    """The alert of the start said that there is none yet; with the first there is one."""
    read(batch, (470, "1.055"))
    code, out, _ = run_here(batch.capsys, "alert", "list", "--config", batch.config)
    assert code == 0
    assert "its last gravity is from 19.6 days ago" in out
