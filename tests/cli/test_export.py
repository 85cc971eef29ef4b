"""`leeswatch export`: the recording and its journal, whole or in part, with a daemon and without."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.intake.recording import Recording, read_journal
from monitor.ledger import Ledger
from monitor.model.clock import HOUR, iso
from monitor.model.inputs import BatchClosed, Exported, Reading
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader
from monitor.store.store import Store

from .helpers import DAY_AGO, cellar, daemon, parsed, run_here, with_history


@pytest.fixture(params=["alone", "beside the daemon"])
def config(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    config = cellar(tmp_path)
    with_history(config)
    if request.param == "alone":
        yield config
        return
    with daemon(config):
        yield config


def stored(config: Path) -> list[Reading]:
    with Reader(store_path(load_settings(config))) as reader:
        return [each for each in reader.inputs() if isinstance(each, Reading)]


def test_every_reading_is_written_with_the_journal_beside_it(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file holds what the store holds, to the last bit and millisecond, flagged readings included."""
    out = tmp_path / "batch.csv"
    code, said, err = run_here(capsys, "export", "--config", config, "--out", out)

    readings = stored(config)
    journal = read_journal(tmp_path / "batch.journal.jsonl")
    assert (code, err) == (0, "")
    assert list(Recording(out)) == readings
    assert isinstance(journal[-1], Exported)
    assert (
        said == f"{len(readings)} readings in {out}, {len(journal)} journal entries in {tmp_path}/batch.journal.jsonl\n"
    )
    with out.open(encoding="utf-8", newline="") as file:
        assert next(csv.reader(file)) == ["time", "probe", "quantity", "value", "unit", "received"]
    assert sorted(each.name for each in tmp_path.glob("*.part")) == []


def test_the_export_replays_to_the_events_of_the_day(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Replayed, the file says word for word what the store's event log says."""
    out = tmp_path / "batch.csv"
    assert run_here(capsys, "export", "--config", config, "--out", out)[0] == 0
    with Reader(tmp_path / "store.db") as reader:
        live = [line for line in reader.event_lines() if '"was-away"' not in line]

    code, printed, _ = run_here(capsys, "replay", out, "--config", config, "--events", "-")

    assert code == 0
    assert [line for line in printed.splitlines() if '"was-away"' not in line] == live


def test_a_part_is_cut_out_by_measured_time(config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From is kept and to is left out; it is said that a part may replay differently."""
    out = tmp_path / "part.csv"
    start, end = DAY_AGO + HOUR, DAY_AGO + 2 * HOUR

    code, said, _ = run_here(
        capsys, "export", "--config", config, "--out", out, "--from", iso(start), "--to", iso(end), "--json"
    )

    wanted = [each for each in stored(config) if start <= each.measured_ms < end]
    assert code == 0
    assert parsed(said) == {
        "recording": str(out), "readings": len(wanted), "journal": str(tmp_path / "part.journal.jsonl"),
        "entries": len(read_journal(tmp_path / "part.journal.jsonl")), "whole": False,
    }  # fmt: skip
    assert list(Recording(out)) == wanted
    assert len(wanted) == 24
    assert (
        "it may say other things"
        in run_here(capsys, "export", "--config", config, "--out", out, "--from", iso(start))[1]
    )


def test_one_batch_is_its_own_probes_between_pitch_and_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only what sat in or around the batch's vessel, and nothing measured after the batch was closed."""
    config = cellar(tmp_path)
    with_history(config)
    closed = DAY_AGO + 10 * HOUR
    with Store.open(tmp_path / "store.db") as store:
        ledger = Ledger(store)
        ledger.load()
        with ledger.commit():
            for number, probe in enumerate(("float-a", "stranger", "hand:bucket-a", "hand:bucket-b")):
                ledger.put(Reading(probe, "temperature", closed - HOUR, 19.0, closed - HOUR + 10 + number))
            ledger.put(BatchClosed(batch="amber-1", received=closed))
            ledger.put(Reading("float-a", "temperature", closed + HOUR, 18.0, closed + HOUR))

    code, _, _ = run_here(capsys, "export", "--config", config, "--out", tmp_path / "one.csv", "--batch", "amber-1")

    kept = list(Recording(tmp_path / "one.csv"))
    assert code == 0
    assert {each.probe for each in kept} == {"float-a", "hand:bucket-a"}
    assert max(each.measured_ms for each in kept) == closed - HOUR
    assert len(kept) == 6 * 12 * 2 + 4 + 2


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--out", "batch.txt"), 2, "batch.txt does not end in .csv"),
        (("--out", "no/such/folder/batch.csv"), 1, "No such file or directory; name a file or folder that is there"),
        (("--out", "batch.csv", "--batch", "amber-9"), 2, "there is no batch amber-9"),
        (("--out", "batch.csv", "--from", "noon"), 2, "'noon' is no time"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...], code: int, said: str,
) -> None:  # fmt: skip
    """A wrong name, place, batch or time is said, and no file is left."""
    config = cellar(tmp_path)
    with_history(config)
    monkeypatch.chdir(tmp_path)

    assert run_here(capsys, "export", "--config", config, *words)[0] == code
    assert said in run_here(capsys, "export", "--config", config, *words)[2]
    assert not list(tmp_path.glob("batch*"))


def test_without_a_store_there_is_nothing_to_export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It says so and makes neither store nor file."""
    config = cellar(tmp_path)

    code, _, err = run_here(capsys, "export", "--config", config, "--out", tmp_path / "x.csv")

    assert code == 1
    assert "there is no store at" in err
    assert sorted(each.name for each in tmp_path.iterdir()) == ["cellar.toml"]
