"""`leeswatch batch fine`, `clarity` and `seal`."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from monitor.engine.state import State
from monitor.ledger import Ledger
from monitor.model.clock import HOUR, MINUTE, SystemClock, iso
from monitor.model.deeds import Clarity, Fined, SealedUp, Unsealed
from monitor.model.inputs import Configured, Reading, StageChanged, Started
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader
from monitor.store.store import Store

from .helpers import cellar, parsed, run_here, with_history


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A cellar with a few hours of history, and no daemon."""
    config = cellar(tmp_path)
    with_history(config, fault=False)
    return config


def finished(config: Path) -> None:
    """As the verdict's own rule leaves a batch that has finished."""
    with Store.open(store_path(load_settings(config))) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        batch = ledger.state.batches["amber-1"]
        with ledger.commit():
            batch.verdict = batch.rest = "finished"
            batch.last_gravity = batch.rest_gravity = 1.0085
            ledger.state.touch("batch:amber-1")


def entries(config: Path, kind: type) -> list:
    with Reader(store_path(load_settings(config))) as reader:
        return [each for each in reader.inputs() if isinstance(each, kind)]


def state(config: Path) -> State:
    with Reader(store_path(load_settings(config))) as reader:
        return State.restore(reader.state())


def run(capsys, config: Path, *words: object) -> tuple[int, str, str]:
    return run_here(capsys, "batch", *words, "--config", config)


FIRST = ("fine", "amber-1", "1", "--what", "silica sol")
SEAL = ("seal", "amber-1", "--litres", "4", "--headspace", "0.3", "--sealed-at", "20")


def test_the_first_part_is_refused_with_every_unmet_condition(config, capsys):
    """Exit 1, each condition with its answer and remedy, and nothing is noted."""
    code, out, err = run(capsys, config, *FIRST, "--at", "19")
    assert code == 1
    for words in (
        "NOT      finished", "NOT      racked", "unknown  degassed", "pass     15 to 25 °C", "pass     not cold",
        "unknown  dose",
    ):  # fmt: skip
        assert words in out
    assert "racked: no racking is noted" in err
    assert "or say that it was done anyway (--anyway)" in err
    assert entries(config, Fined) == []


def test_against_advice_it_is_noted_so(config, capsys):
    """--anyway notes the part and that it was against advice; the stage stays, for it still ferments."""
    code, out, _ = run(capsys, config, *FIRST, "--dose", "19", "--anyway")
    assert code == 0
    assert "first part in (silica sol, 19 mL)" in out
    assert "a mistake? leeswatch batch undo amber-1" in out
    (deed,) = entries(config, Fined)
    assert (deed.anyway, deed.dose_ml, deed.degassed) == (True, 19.0, False)
    assert entries(config, StageChanged) == []


def fermented_out(config: Path) -> None:
    """Twelve days of a probe, ending a minute ago, by which the engine itself says finished."""
    settings = load_settings(config)
    now = SystemClock().wall_ms() // MINUTE * MINUTE
    start = now - 12 * 24 * HOUR
    with Store.open(store_path(settings)) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        with ledger.commit():
            ledger.put(Started(version="0.1.0", watched_until=None, received=start))
            ledger.put(Configured(settings=settings.for_rules().as_json(), received=start + 1))
            for number in range(1, 12 * 24 * 6):
                at = start + number * 10 * MINUTE
                fall = 0.054 / (1.0 + math.exp((number / 6 - 50.0) / 10.0))
                ledger.put(Reading("float-a", "gravity", at, round(1.008 + fall + number % 5 * 1e-4, 4), at + 300))
                ledger.put(Reading("float-a", "temperature", at + 1, 20.0 + number % 7 * 0.03, at + 301))


def test_a_batch_that_is_ready_goes_to_clearing(tmp_path, capsys):
    """Finished by its probe, racked, degassed, warm: noted with the packet's dose, and its stage is clearing."""
    config = cellar(tmp_path)
    fermented_out(config)
    assert run(capsys, config, "rack", "amber-1", "--to", "bucket-b", "--litres", "17")[0] == 0
    words = (*FIRST, "--per-litre", "2", "--degassed", "--at", "19")
    code, out, _ = run(capsys, config, *words)
    assert code == 0
    assert "pass     racked       it was racked after it finished" in out
    assert "first part in (silica sol, 34 mL)" in out
    assert "its stage is clearing now" in out
    assert "the second part is due" in out
    (deed,) = entries(config, Fined)
    assert (deed.degassed, deed.anyway, deed.dose_ml) == (True, False, 34.0)
    assert state(config).batches["amber-1"].stage == "clearing"
    before = entries(config, Fined)
    for more in ((), ("--anyway",)):
        code, out, err = run(capsys, config, *words, *more)
        assert (code, out) == (2, "")
        assert "a first part (silica sol) went into amber-1" in err
        assert f"leeswatch batch undo amber-1 --of {iso(deed.received)}" in err
    assert entries(config, Fined) == before
    run(capsys, config, "undo", "amber-1", "--of", iso(deed.received))
    assert run(capsys, config, *words)[0] == 0


def test_the_second_part_waits_for_its_time(config, capsys):
    """Early: exit 1 and how long still. In time: noted, with when to look and the allergen of what it is."""
    early = SystemClock().wall_ms() - 40 * MINUTE
    run(capsys, config, *FIRST, "--anyway", "--when", iso(early))
    code, out, err = run(capsys, config, "fine", "amber-1", "2", "--what", "chitosan")
    assert (code, out) == (1, "")
    assert "is due in 20 min" in err or "is due in 19 min" in err
    assert len(entries(config, Fined)) == 1
    run(capsys, config, "undo", "amber-1")
    run(capsys, config, *FIRST, "--anyway", "--when", iso(early - HOUR))
    code, out, _ = run(capsys, config, "fine", "amber-1", "2", "--what", "Chitosan, 1 %", "--dose", "20")
    assert code == 0
    assert "it should be clear between" in out
    assert "allergen" in out
    assert "shellfish" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("fine", "amber-9"), "there is no batch amber-9"),
        (("fine", "amber-1", "1"), "part 1 needs its name"),
        (("fine", "amber-1", "2", "--what", "chitosan"), "no first part is noted"),
        ((*FIRST, "--dose", "0"), "--dose 0 cannot be"),
        ((*FIRST, "--per-litre", "-1"), "--per-litre -1 cannot be"),
        ((*FIRST, "--when", "2099-01-01T00:00:00Z"), "still to come"),
        (("clarity", "amber-1"), "how clear is it?"),
        (("clarity", "amber-1", "--ntu", "-3"), "--ntu -3 cannot be"),
        (("seal", "amber-1"), "the pressure depends on the vessel"),
        (("seal", "amber-1", "--opened"), "not noted as closed"),
        (("seal", "amber-1", "--litres", "0", "--headspace", "1", "--sealed-at", "20"), "--litres"),
        ((*SEAL, "--stored-at", "80"), "--stored-at"),
        ((*SEAL, "--rated", "-1", "--closed"), "--rated"),
        (("seal", "amber-1", "--litres", "4", "--headspace", "0.3"), "how warm it is when closed is not known"),
    ],
    ids=" ".join,
)  # fmt: skip
def test_what_cannot_be_is_refused(config, capsys, words, said):
    """Exit 2 with a sentence and a remedy, and nothing is noted."""
    code, out, err = run(capsys, config, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert entries(config, Fined) + entries(config, Clarity) + entries(config, SealedUp) == []


def test_clearness_is_noted_and_leads_on(config, capsys):
    """By eye and by turbidity; once it is clear, the next step is said."""
    long_ago = SystemClock().wall_ms() - 3 * HOUR
    run(capsys, config, *FIRST, "--anyway", "--when", iso(long_ago))
    run(capsys, config, "fine", "amber-1", "2", "--what", "chitosan", "--when", iso(long_ago + HOUR))
    code, out, _ = run(capsys, config, "clarity", "amber-1", "hazy")
    assert code == 0
    assert "amber-1: hazy" in out
    assert "leave it still" in out
    code, out, _ = run(capsys, config, "clarity", "amber-1", "--ntu", "5")
    assert "amber-1: clear (5 NTU" in out
    assert "go cold" in out
    code, out, _ = run(capsys, config, "fine", "amber-1", "--json")
    told = parsed(out)
    assert code == 0
    assert [look["clearness"] for look in told["looks"]] == ["hazy", "clear"]
    assert told["allergens"] == ["chitosan"]
    assert told["clear_since"] == told["looks"][1]["time"]


def test_a_seal_is_never_silent(config, capsys):
    """Not safe: exit 1, three answers, pressure with its range, the vessel's rating, and what to do."""
    code, out, _ = run(capsys, config, *SEAL)
    assert code == 1
    assert "NOT safe to close" in out
    assert "glass, not rated for pressure" in out
    assert "bar above the air outside (" in out
    assert "Do not close it tight" in out
    assert entries(config, SealedUp) == []


def test_a_seal_that_was_made_is_noted_and_watched(config, capsys):
    """--closed notes it although it is not safe; --opened ends that."""
    code, out, _ = run(capsys, config, *SEAL, "--closed")
    assert code == 1
    assert "although it is not safe: open it" in out
    (deed,) = entries(config, SealedUp)
    assert deed.gravity is not None
    assert deed.material == "glass"
    assert deed.rated_bar is None
    code, out, _ = run(capsys, config, "seal", "amber-1", "--opened")
    assert code == 0
    assert "air the room" in out
    assert len(entries(config, Unsealed)) == 1


def test_one_hydrometer_can_make_a_seal_safe(config, capsys):
    """Finished, batch and fermented-out sample alike by the same scale, and steel rated for the gas: exit 0."""
    finished(config)
    run(capsys, config, "forced", "amber-1", "1.008", "--at", "20")
    run(capsys, config, "reading", "amber-1", "1.008", "--at", "20")
    rated = ("--material", "steel", "--rated", "6")
    code, out, _ = run(capsys, config, *SEAL, *rated, "--json")
    told = parsed(out)
    assert (code, told["safe"]) == (0, True)
    assert told["rating"] == "steel, rated for 6 bar by its maker, as you say"
    assert told["warnings"]
    code, out, _ = run(capsys, config, *SEAL, "--json")
    assert (code, parsed(out)["safe"]) == (1, False)
