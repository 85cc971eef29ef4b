"""`leeswatch batch`: readings by hand, stage, additions, with a daemon and without."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import HOUR, MINUTE, SystemClock, iso
from monitor.model.inputs import Added, BatchClosed, ForcedFinal, HandReading, Reading, ReadingUndone, StageChanged
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader

from .helpers import DAY_AGO, cellar, daemon, parsed, run_here, with_history


@pytest.fixture(params=["alone", "beside the daemon"])
def config(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A cellar with a day's history: first with no daemon, so that the command writes; then with one that does."""
    config = cellar(tmp_path)
    with_history(config, fault=False)
    if request.param == "alone":
        yield config
        return
    with daemon(config) as running:
        yield config
        assert running.end() == 0


def inputs(config: Path, kind: type) -> list[Any]:
    with Reader(store_path(load_settings(config))) as reader:
        return [each for each in reader.inputs() if isinstance(each, kind)]


def test_a_reading_that_was_taken_back_can_be_given_again(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the same time and figure: it counts; another figure of that time is refused until it is undone."""
    told = ["batch", "reading", "amber-1", "1.012", "--at", "19", "--when", iso(DAY_AGO), "--config", config]
    assert run_here(capsys, *told)[0] == 0
    code, _, err = run_here(capsys, *told[:3], "1.020", *told[4:])
    assert (code, "already" in err) == (2, True)
    undo = ["batch", "reading", "amber-1", "--undo", "--when", iso(DAY_AGO), "--config", config]
    for _ in range(3):
        assert run_here(capsys, *undo)[0] == 0
        assert run_here(capsys, *told)[0] == 0

    listed = parsed(run_here(capsys, "batch", "list", "--json", "--config", config)[1])
    hand = next(each["hand"] for each in listed if each["batch"] == "amber-1")
    assert [round(point["gravity"], 3) for point in hand if abs(point["at_ms"] - DAY_AGO) < 1000] == [1.012]


def test_a_reading_by_hand_is_kept_and_taken_back(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is filed as typed, corrected for its temperature, shown in the list, and --undo takes the latest one back."""
    code, out, err = run_here(capsys, "batch", "reading", "amber-1", "1.030", "--at", "18", "--config", config)
    assert (code, err) == (0, "")
    assert "amber-1: 1.030 taken" in out
    assert "1.0296 at 20 °C" in out
    assert "leeswatch batch reading amber-1 --undo" in out

    readings = [each for each in inputs(config, Reading) if each.probe == "hand:bucket-a"]
    assert [(each.quantity, each.value) for each in readings] == [("temperature", 18.0), ("hydrometer", 1.03)]
    (typed,) = inputs(config, HandReading)
    assert (typed.hydrometer, typed.temperature, typed.calibrated) == (1.03, 18.0, 20.0)

    code, out, _ = run_here(capsys, "batch", "list", "--config", config)
    assert code == 0
    assert "amber-1 in bucket-a: fermenting" in out
    assert "1.0296 ± " in out

    code, out, _ = run_here(capsys, "batch", "reading", "amber-1", "--undo", "--config", config)
    assert code == 0
    assert "the reading 1.0296 of" in out
    assert "no longer counts" in out
    assert len(inputs(config, ReadingUndone)) == 1
    listed = parsed(run_here(capsys, "batch", "list", "--config", config, "--json")[1])
    assert [(each["batch"], each["stage"], each["hand"]) for each in listed] == [("amber-1", "fermenting", [])]

    code, out, err = run_here(capsys, "batch", "reading", "amber-1", "--undo", "--config", config)
    assert code == 2
    assert "has no such hand reading" in err


def test_a_scale_made_for_another_temperature_is_rescaled(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A scale made for 15.56 °C (60 °F), read at that temperature, is off by the water's own expansion to 20 °C."""
    code, out, _ = run_here(
        capsys, "batch", "reading", "amber-1", "1.050", "--at", "15.56", "--calibrated", "15.56", "--json",
        "--config", config,
    )  # fmt: skip

    told = parsed(out)
    assert code == 0
    # Density of water 0.99904 at 15.56 °C and 0.99823 at 20 °C; the glass itself shrinks a little.
    assert told["gravity"] == pytest.approx(1.050, abs=0.0008)
    assert told["hydrometer_20c"] == pytest.approx(1.050 * 0.99904 / 0.99823, abs=0.0003)
    assert told["vessel"] == "bucket-a"
    (typed,) = inputs(config, HandReading)
    assert (typed.hydrometer, typed.calibrated) == (1.05, 15.56)
    (filed,) = (each for each in inputs(config, Reading) if each.quantity == "hydrometer")
    assert filed.value == pytest.approx(told["hydrometer_20c"], abs=1e-5)


def test_a_reading_has_the_time_it_was_taken(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--when` takes a time with offset, with or without seconds, or the site's own; --undo finds it by the same."""
    at = DAY_AGO + 5 * HOUR + 17 * MINUTE
    for when in (iso(at), iso(at)[:16] + "Z"):
        code, out, _ = run_here(
            capsys, "batch", "reading", "amber-1", "1.030", "--at", "20", "--when", when, "--json", "--config", config
        )
        assert (code, parsed(out)["time"]) == (0, iso(at))

    code, out, _ = run_here(
        capsys, "batch", "reading", "amber-1", "--undo", "--when", iso(at), "--json", "--config", config
    )
    told = parsed(out)
    assert (code, told["batch"], told["undone"]) == (0, "amber-1", iso(at))
    assert told["undo"] == f"leeswatch batch undo amber-1 --of {told['received']}"


def test_a_forced_sample_is_told_and_taken_back(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As typed for the record, corrected for its temperature on the screen; --undo makes it count no longer."""
    code, out, err = run_here(capsys, "batch", "forced", "amber-1", "1.009", "--at", "25", "--config", config)
    assert (code, err) == (0, "")
    assert "amber-1: the sample ended at 1.0101" in out
    assert out.endswith("a mistake? leeswatch batch forced amber-1 --undo\n")

    assert run_here(capsys, "batch", "forced", "amber-1", "--undo", "--config", config)[0] == 0
    code, _, err = run_here(capsys, "batch", "forced", "amber-1", "--undo", "--config", config)
    assert code == 2
    assert "there is none to take back" in err
    told, undone = inputs(config, ForcedFinal)
    assert (told.batch, told.hydrometer, told.temperature, told.calibrated) == ("amber-1", 1.009, 25.0, 20.0)
    assert undone.hydrometer is None


@pytest.mark.parametrize("given", [[], ["9"], ["1.009", "--at", "90"]])
def test_a_forced_sample_that_cannot_be_is_refused(
    config: Path, capsys: pytest.CaptureFixture[str], given: list[str]
) -> None:
    """With the remedy, and nothing is written."""
    code, _, err = run_here(capsys, "batch", "forced", "amber-1", *given, "--config", config)
    assert code == 2
    assert "1.0" in err
    assert inputs(config, ForcedFinal) == []


def test_a_forced_sample_above_the_original_gravity_is_refused(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No sample ends higher than its batch began: both figures are named, and nothing is written."""
    code, out, err = run_here(capsys, "batch", "forced", "amber-1", "1.080", "--at", "20", "--config", config)
    assert (code, out) == (2, "")
    assert "a sample cannot end at 1.0800, above what batch amber-1 began at, 1.0620" in err
    assert inputs(config, ForcedFinal) == []


def test_a_figure_is_written_as_on_the_scale(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three decimals at least, and a fourth where it was read between two marks."""
    for typed, shown in (("1.02", "1.020"), ("1.0205", "1.0205")):
        out = run_here(capsys, "batch", "reading", "amber-1", typed, "--at", "20", "--config", config)[1]
        assert f"amber-1: {shown} taken" in out


def test_stage_addition_and_end_are_noted(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each is a journal entry of its own, with what was said and when."""
    said = [
        run_here(capsys, "batch", "add", "amber-1", "sugar", "--rise", "0.012", "--config", config),
        run_here(capsys, "batch", "stage", "amber-1", "cold", "--config", config),
        run_here(capsys, "batch", "close", "amber-1", "--config", config, "--json"),
    ]

    assert [code for code, _, _ in said] == [0, 0, 0]
    assert "sugar added" in said[0][1]
    assert said[1][1] == "amber-1: stage cold\na mistake? leeswatch batch undo amber-1\n"
    assert parsed(said[2][1])["batch"] == "amber-1"
    (added,) = inputs(config, Added)
    assert (added.batch, added.what, added.gravity_rise) == ("amber-1", "sugar", 0.012)
    assert [each.stage for each in inputs(config, StageChanged)] == ["cold"]
    assert len(inputs(config, BatchClosed)) == 1
    assert "amber-1 in bucket-a: closed" in run_here(capsys, "batch", "list", "--config", config)[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("reading", "amber-9", "1.012"), "there is no batch amber-9; batches: amber-1"),
        (("reading", "amber-1"), "a reading needs its value"),
        (("reading", "amber-1", "1012"), "give a value from 0.7 to 1.6"),
        (("reading", "amber-1", "1.012", "--at", "180"), "temperature"),
        (("reading", "amber-1", "1.012", "--at", "18", "--calibrated", "68"), "temperature"),
        (("reading", "amber-1", "1.012", "--when", "yesterday"), "'yesterday' is no time; write 2026-03-09T04:10:00Z"),
        (("reading", "amber-1", "--undo"), "has no such hand reading"),
        (("stage", "amber-9", "cold"), "there is no batch amber-9"),
        (("add", "amber-1", "sugar", "--rise", "12"), "--rise 12 cannot be; gravity rises by parts of one"),
        (("close", "amber-9"), "batches: amber-1"),
    ],
    ids=" ".join,
)  # fmt: skip
def test_what_cannot_be_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    """It exits 2 with a sentence that says what is wrong and what to write, and nothing is filed."""
    config = cellar(tmp_path)
    with_history(config, fault=False)
    with Reader(tmp_path / "store.db") as reader:
        before = list(reader.inputs())

    code, out, err = run_here(capsys, "batch", *words, "--config", config)

    assert (code, out) == (2, "")
    assert err.startswith("leeswatch: ")
    assert said in err
    with Reader(tmp_path / "store.db") as reader:
        assert list(reader.inputs()) == before


@pytest.mark.parametrize("hours", [2, 24 * 400])
def test_what_is_still_to_come_is_refused(config: Path, capsys: pytest.CaptureFixture[str], hours: int) -> None:
    """A reading of tomorrow would be filed nowhere: it is refused where it is typed."""
    ahead = iso(SystemClock().wall_ms() + hours * HOUR)

    code, _, err = run_here(capsys, "batch", "reading", "amber-1", "1.012", "--when", ahead, "--config", config)

    assert code == 2
    assert "still to come" in err
    assert inputs(config, HandReading) == []


def test_before_the_first_start(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With no store yet the list names what is configured, and a hand reading makes the store."""
    config = cellar(tmp_path)

    assert run_here(capsys, "batch", "list", "--config", config)[1] == (
        "amber-1 in bucket-a: not watched yet; it begins when `leeswatch run` starts\n"
    )
    assert parsed(run_here(capsys, "batch", "list", "--config", config, "--json")[1]) == []
    assert run_here(capsys, "batch", "reading", "amber-1", "--undo", "--config", config)[0] in (1, 2)
    assert run_here(capsys, "batch", "reading", "amber-1", "1.030", "--at", "20", "--config", config)[0] == 0
    assert len(inputs(config, HandReading)) == 1


def test_a_batch_without_a_probe_lives_on_hand_readings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings without a temperature are taken too, and what is then known of the temperature is said."""
    config = cellar(tmp_path, more='[[batch]]\nname = "pear-1"\nvessel = "bucket-b"\npitched = 2026-03-02T18:00:00Z\n')

    code, out, _ = run_here(capsys, "batch", "reading", "pear-1", "1.030", "--config", config)

    assert code == 0
    assert "corrected by the vessel's own temperature" in out
