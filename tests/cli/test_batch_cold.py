"""`leeswatch batch hold`, `unhold` and `cold`."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.ledger import Ledger
from monitor.model.clock import HOUR, MINUTE, SystemClock
from monitor.model.deeds import Held, HoldEnded, Jarred
from monitor.model.inputs import Reading
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


def entries(config: Path, kind: type) -> list:
    with Reader(store_path(load_settings(config))) as reader:
        return [each for each in reader.inputs() if isinstance(each, kind)]


def run(capsys, config: Path, *words: object) -> tuple[int, str, str]:
    return run_here(capsys, "batch", *words, "--config", config)


def watched(config: Path, hours: float, celsius: float) -> None:
    """The fridge's air as heard for some hours from now on, as a daemon would have filed it."""
    with Store.open(store_path(load_settings(config))) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        start = max(SystemClock().wall_ms(), ledger.state.clock.last_ms) // MINUTE * MINUTE + MINUTE
        with ledger.commit():
            for number in range(round(hours * 12)):
                at = start + number * 5 * MINUTE
                value = celsius + (number * 3 % 7 - 3) * 0.05
                ledger.put(Reading("larder-air", "temperature", at, value, at + 10))


def test_a_hold_is_noted_with_what_is_ahead(config, capsys):
    """How long until its liquid is cold, where ice may begin, the checklist, and the way back."""
    watched(config, 10, 2.0)
    code, out, _ = run(capsys, config, "hold", "amber-1", "--fridge", "larder", "--hours", "24")
    assert code == 0
    assert "the clock starts when its liquid is cold" in out
    assert "in air of 2.0 °C, measured" in out
    assert "ice may begin at" in out
    assert "from 20 °C (taken for a room's, where nobody says otherwise)" in out
    assert "draws in the airlock's liquid" in out
    assert "moving stirs the lees up" in out
    assert "clear of the cold plate" in out
    assert "Leeswatch only watches" in out
    assert "a mistake? leeswatch batch undo amber-1" in out
    (deed,) = entries(config, Held)
    assert (deed.about, deed.fridge, deed.target_c, deed.hours) == ("batch:amber-1", "larder", 4.0, 24.0)


def test_where_it_stands(config, capsys):
    """Hours so far, the liquid by estimate, when it is done and the margin; as JSON the same."""
    watched(config, 2, 2.0)
    run(capsys, config, "hold", "amber-1", "--fridge", "larder", "--from", "5", "--litres", "1", "--hours", "24")
    watched(config, 8, 2.0)
    code, out, _ = run(capsys, config, "cold", "amber-1")
    assert code == 0
    assert "estimate from the air around it" in out
    assert "of 24 h" in out
    assert "done: about" in out
    assert "K above where ice may begin" in out
    code, out, _ = run(capsys, config, "cold", "amber-1", "--json")
    (told,) = parsed(out)
    assert code == 0
    assert 3.0 < told["hours"] < 8.0
    assert told["hours_range"][0] <= told["hours"] <= told["hours_range"][1]
    assert told["cold"]
    assert len(told["done_expected"]) == 3


def test_a_jar_is_held_too(config, capsys):
    """Yeast under water: 0.0 °C; a fridge set colder than that bears is advised against; it is its own subject."""
    watched(config, 2, 2.0)
    code, out, _ = run(
        capsys, config, "hold", "--jar", "a1", "--fridge", "larder", "--litres", "0.5", "--target", "0.5", "--json"
    )
    told = parsed(out)
    assert code == 0
    assert told["about"] == "jar:a1"
    assert told["freezes_c"] == 0.0
    assert any("too cold for it" in each for each in told["advice"])
    assert run(capsys, config, "unhold", "--jar", "a1")[0] == 0
    assert [each.about for each in entries(config, HoldEnded)] == ["jar:a1"]


def test_the_most_tender_thing_speaks(tmp_path, capsys):
    """A freezer at -18 °C in someone else's hands: what is held there is named with why it cannot stay."""
    config = cellar(tmp_path, more='[[fridge]]\nname = "freezer"\ntarget_c = -18\n')
    with_history(config, fault=False)
    code, out, _ = run(capsys, config, "hold", "amber-1", "--fridge", "freezer", "--target", "-2", "--abv", "12")
    assert code == 0
    assert "too cold for amber-1" in out
    assert "glass" in out


def test_a_jar_in_the_same_fridge_speaks(config, capsys):
    """A target that the wash bears and the yeast beside it does not is advised against, by the jar's name."""
    run(capsys, config, "hold", "--jar", "a1", "--fridge", "larder", "--litres", "0.5")
    code, out, _ = run(capsys, config, "hold", "amber-1", "--fridge", "larder", "--target", "-1", "--abv", "12")
    assert code == 0
    assert "most tender in the fridge is a1: ice may begin at 0.0 °C" in out
    assert "-1 °C would be too cold for a1" in out
    (told,) = parsed(run(capsys, config, "cold", "amber-1", "--json")[1])
    assert told["most_tender"]["name"] == "a1"


def test_unhold_says_how_far_it_came(config, capsys):
    """The hours so far, and the way back; a second time there is nothing to end."""
    watched(config, 2, 2.0)
    run(capsys, config, "hold", "amber-1", "--fridge", "larder", "--from", "4", "--hours", "24")
    watched(config, 4, 2.0)
    code, out, _ = run(capsys, config, "cold")
    assert code == 0
    assert "amber-1: to be at 4 °C" in out
    code, _, err = run(capsys, config, "unhold", "amber-1", "--when", "2026-01-02T00:00:00Z")
    assert code == 2
    assert "lies before amber-1 went in" in err
    code, out, _ = run(capsys, config, "unhold", "amber-1")
    assert code == 0
    assert "of 24 h cold" in out
    code, _, err = run(capsys, config, "unhold", "amber-1")
    assert code == 2
    assert "is not held" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hold",), "say what it is about"),
        (("hold", "amber-1", "--jar", "a1"), "say what it is about"),
        (("hold", "amber-9", "--fridge", "larder"), "there is no batch amber-9"),
        (("hold", "amber-1", "--fridge", "nope"), "there is no fridge nope"),
        (("hold", "--jar", "a1", "--fridge", "larder"), "is not on the shelf"),
        (("hold", "--jar", "a1", "--litres", "1"), "which fridge a1 stands in is not known"),
        (("hold", "amber-1", "--fridge", "larder", "--hours", "0"), "--hours"),
        (("hold", "amber-1", "--fridge", "larder", "--target", "-80"), "--target"),
        (("hold", "amber-1", "--fridge", "larder", "--when", "2099-01-01T00:00:00Z"), "still to come"),
        (("unhold", "amber-1"), "is not held"),
        (("cold", "amber-1"), "is not held"),
    ],
    ids=" ".join,
)
def test_what_cannot_be_is_refused(config, capsys, words, said):
    """Exit 2 with a sentence and a remedy, and nothing is noted."""
    code, out, err = run(capsys, config, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert entries(config, Held) + entries(config, HoldEnded) == []


def test_nothing_is_held(config, capsys):
    """The list of holds says so, and how to begin one."""
    code, out, _ = run(capsys, config, "cold")
    assert code == 0
    assert "nothing is held cold" in out
    assert parsed(run(capsys, config, "cold", "--json")[1]) == []


def test_the_jar_on_the_shelf_knows_its_size(config, capsys):
    """What was noted of a jar is enough: its volume need not be told again."""
    with Store.open(store_path(load_settings(config))) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        at = ledger.state.clock.last_ms + HOUR
        with ledger.commit():
            ledger.put(Jarred(at=at, received=at, jar="a1", strain="house", origin="packet", volume_ml=400.0))
    assert run(capsys, config, "hold", "--jar", "a1", "--fridge", "larder")[0] == 0
