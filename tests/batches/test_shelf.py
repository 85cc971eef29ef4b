"""The shelf: what is left in a jar, how much lives, until when, and what to do with it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.batches import shelf
from monitor.batches.record import Record, subjects
from monitor.model.clock import DAY
from monitor.model.config import YeastPractice
from monitor.model.deeds import Fined, Harvested, JarCounted, JarDiscarded, JarLayer, Jarred, JarUsed, Noted, Undone
from monitor.model.inputs import BatchStarted
from monitor.science import yeast

PRACTICE = YeastPractice()
START = 1_780_000_000_000


def made(at: int = START, **more: object) -> Jarred:
    usual = {"jar": "ale-1", "strain": "ale", "origin": "wash", "wash": "w", "generation": 1, "volume_ml": 250.0,
             "layer_ml": 100.0, "received": at}  # fmt: skip
    return Jarred(at=at, **(usual | more))


def used(ml: float, days: float = 1.0, **more: object) -> JarUsed:
    at = START + round(days * DAY)
    return JarUsed(**({"at": at, "jar": "ale-1", "ml": ml, "received": at} | more))


def one(*entries: object, days: float = 2.0, source: Harvested | None = None) -> shelf.Jar:
    found = shelf.jar("ale-1", entries, PRACTICE, START + round(days * DAY), source)
    assert found is not None
    return found


def test_a_jar_holds_what_was_not_used():
    """Pitched and taken into starters alike; the layer goes with the rest, for the jar is shaken up."""
    starter = made(
        START + DAY, jar="boost", origin="starter", wash=None, parents=["ale-1"], taken_ml=50.0, layer_ml=None
    )
    found = one(made(), used(100.0), starter)
    assert found.left_ml == pytest.approx(100.0)
    assert found.layer_left_ml == pytest.approx(40.0)
    assert found.starters == (starter,)
    assert not found.gone


def test_used_up_it_is_gone_since_then():
    """Also by more than it held: nothing is ever negative."""
    found = one(made(), used(200.0), used(90.0, 1.5))
    assert (found.left_ml, found.gone, found.gone_ms, found.advice) == (0.0, "used up", START + 36 * 3_600_000, "gone")


def test_discarding_gives_its_reason_and_can_be_taken_back():
    """An undone discarding leaves the jar on the shelf."""
    thrown = JarDiscarded(at=START + DAY, jar="ale-1", why="smells of nail varnish", received=START + DAY)
    assert one(made(), thrown).gone == "smells of nail varnish"
    assert one(made(), thrown, Undone(of=START + DAY, received=START + DAY + 1)).gone == ""


def test_undoing_everything_empties_the_shelf():
    """A jar whose putting up does not count is not there."""
    entries: Record = [made(), used(10.0), Undone(of=used(10.0).received, received=START + 2 * DAY),
                       Undone(of=START, received=START + 2 * DAY + 1)]  # fmt: skip
    assert shelf.shelf({"jar:ale-1": entries}, PRACTICE, START + 3 * DAY) == ()


@pytest.mark.parametrize(
    ("days", "advice"), [(0, "pitch"), (5, "pitch"), (20.9, "pitch"), (21.1, "wake"), (119.9, "wake"), (121, "discard")]
)
@pytest.mark.parametrize("stored_c", [1.0, 4.0])
def test_age_says_what_to_do(days, advice, stored_c):
    """Anywhere from 1 to 4 °C it is pitched for three weeks, then woken, and thrown out after 120 days: by practice."""
    assert one(made(stored_c=stored_c), days=days).advice == advice


def test_a_guess_about_what_lives_does_not_overrule_practice():
    """Past the six published days only the best end of its range speaks against a jar, else the middle."""
    guessed = one(made(), days=40.0)
    assert guessed.extrapolated
    assert guessed.viability is not None
    assert guessed.viability.usual < 50.0 < guessed.viability.high
    assert (guessed.advice, guessed.because) == (
        "wake",
        ("it is older than 21 days", "at most 79 % of it live, fewer than 80 %"),
    )
    warm = one(made(stored_c=20.0), days=30.0)
    assert warm.advice == "discard"
    assert warm.because[0].startswith("at most 4")
    count = JarCounted(at=START + DAY, received=START + DAY, jar="ale-1", cells_per_ml=1e9, viability=45.0,
                       viability_low=40.0, viability_high=55.0)  # fmt: skip
    assert one(made(), count, days=1.0).because == ("about 45 % of it live, fewer than 50 %",)


def test_after_three_weeks_the_age_is_a_reason():
    """Best within three weeks, as set; thrown out after 120 days."""
    assert not any("older" in each for each in one(made(), days=20.9).because)
    assert any("older than 21 days" in each for each in one(made(), days=21.1).because)
    assert any("older than 120 days" in each for each in one(made(), days=121).because)


@pytest.mark.parametrize(("generation", "advice"), [(5, "pitch"), (6, "doubtful"), (8, "doubtful"), (9, "discard")])
def test_generations_end(generation, advice):
    """Five are well, up to eight doubtful, and no more (common practice, no source)."""
    assert one(made(generation=generation), days=1).advice == advice


def test_its_source_is_held_against_it():
    """A jar from a strong or stalled batch says so as long as it stands."""
    source = Harvested(at=START, wash="w", batch="b", strain="ale", generation=1, volume_ml=500, abv=12.0, stalled=True)
    found = one(made(), source=source)
    assert found.advice == "doubtful"
    assert "12.0 % by volume" in shelf.do(found)
    assert "stalled" in shelf.do(found)


def test_an_off_smell_throws_it_out():
    """A note of that sort about the jar is enough."""
    smell = Noted(about="jar:ale-1", text="vinegar", sort="off-smell", at=START + DAY, received=START + DAY)
    assert one(made(), smell).advice == "discard"


def test_viability_falls_with_age_from_the_usual_start():
    """As `science/yeast.py` reckons storage, from 95 % (90 to 98)."""
    found = one(made(), days=6)
    kept = yeast.stored(6.0, 4.0, 100.0).viability
    assert found.viability is not None
    assert found.viability.usual == pytest.approx(0.95 * kept.usual)
    assert (found.viability.low, found.viability.high) == pytest.approx((0.90 * kept.low, 0.98 * kept.high))
    assert not found.extrapolated
    assert one(made(), days=7).extrapolated


def test_warm_jars_die_at_the_published_rate():
    """McCaig & Bendiak 1985: 7 % lost in six days at 1 °C, 14 % at 5 °C."""
    for degrees, left in ((1.0, 0.93), (5.0, 0.86)):
        found = one(made(stored_c=degrees), days=6)
        assert found.viability is not None
        assert found.viability.usual == pytest.approx(95.0 * left, rel=1e-6)


@pytest.mark.parametrize(("more", "days"), [({"stored_c": -2.0}, 1), ({"stored_c": 30.0}, 1), ({}, 181)])
def test_where_nothing_is_known_nothing_is_said(more, days):
    """Frozen, hot or ancient: no viability, no cells."""
    found = one(made(**more), days=days)
    assert (found.viability, found.living) == (None, None)
    assert "count it" in found.viability_how


def test_a_count_begins_the_reckoning_anew():
    """From its day, its share and its limits; of the layer, so the jar shaken up holds less in each mL."""
    counted = JarCounted(
        at=START + 10 * DAY, jar="ale-1", cells_per_ml=1e9, cells_low=0.8e9, cells_high=1.3e9, viability=80.0,
        viability_low=70.0, viability_high=88.0, received=START + 10 * DAY,
    )  # fmt: skip
    found = one(made(), counted, days=10)
    assert found.viability is not None
    assert (found.viability.usual, found.viability.low, found.viability.high) == pytest.approx((80, 70, 88))
    assert found.per_ml is not None
    assert found.per_ml.usual == pytest.approx(0.4e9)
    assert found.living is not None
    assert found.living.usual == pytest.approx(0.4e9 * 250 * 0.8)
    assert found.living.low == pytest.approx(0.32e9 * 250 * 0.7)


def test_an_unmeasured_layer_is_guessed_widely_and_said():
    """A quarter to all of the jar is taken as yeast: an assumption, told as one."""
    found = one(made(layer_ml=None))
    assert found.per_ml is not None
    assert found.per_ml.high / found.per_ml.low == pytest.approx(6.0)
    assert "was not measured" in found.per_ml_how


def test_a_packet_goes_by_its_own_date():
    """Dried yeast by grams, with a range; no date, no end; past it, a starter first."""
    packet = {"origin": "packet", "wash": None, "generation": 0, "volume_ml": 11.0, "grams": 11.0, "layer_ml": None}
    found = one(made(**packet), days=300)
    assert (found.best_ms, found.discard_ms, found.advice, found.unit) == (None, None, "pitch", "g")
    assert found.living is not None
    assert found.living.usual == pytest.approx(1.1e11)
    assert one(made(**packet, best_before=START + DAY)).advice == "wake"


def test_a_starter_keeps_the_cells_it_was_reckoned_with():
    """As living ones when it was put up: all of them then, fewer later."""
    starter = {"origin": "starter", "wash": None, "volume_ml": 1000.0, "layer_ml": None, "cells": 2e11,
               "cells_low": 1e11, "cells_high": 4e11}  # fmt: skip
    fresh, later = one(made(**starter), days=0).living, one(made(**starter), days=6).living
    assert fresh is not None
    assert later is not None
    assert (fresh.usual, fresh.low, fresh.high) == pytest.approx((2e11, 1e11, 4e11))
    assert later.usual < fresh.usual


def test_a_batch_pitched_without_a_word_of_how_much_is_asked_for():
    """The batch's start names the jar; a later `use` for that batch answers."""
    start = BatchStarted(batch={"name": "amber-2", "jars": ["ale-1"]}, received=START + DAY)
    assert one(made(), start).unmeasured == ("amber-2",)
    assert one(made(), start, used(50.0, batch="amber-2")).unmeasured == ()


def test_the_shelf_shows_what_is_there_first():
    """By age, the gone ones last; each with the harvest behind it."""
    source = Harvested(
        at=START, wash="w", batch="b", strain="ale", generation=1, volume_ml=500, abv=12.0, received=START
    )
    records: dict[str, Record] = {}
    old, new = made(START + 1), made(START + 2, jar="ale-2")
    for entry in (source, new, old, used(250.0)):
        for subject in subjects(entry):
            records.setdefault(subject, []).append(entry)
    found = shelf.shelf(records, PRACTICE, START + 2 * DAY)
    assert [each.name for each in found] == ["ale-2", "ale-1"]
    assert found[0].source == source


@given(
    st.floats(0.1, 5000), st.lists(st.tuples(st.floats(0.1, 3000), st.integers(0, 10**9), st.booleans()), max_size=8),
    st.floats(0, 400), st.floats(-10, 40),
)  # fmt: skip
def test_no_deeds_make_a_jar_hold_less_than_nothing(volume, uses, days, warmth):
    """Volume, layer and cells are never negative and shares stay within 0 to 100, whatever is told."""
    entries: list = [made(volume_ml=volume, layer_ml=volume / 2, stored_c=warmth)]
    for number, (ml, at, undone) in enumerate(uses, start=1):
        entries.append(used(ml, at / DAY, received=START + number))
        if undone:
            entries.append(Undone(of=START + number, received=START + 100 + number))
    found = one(*entries, days=days)
    assert 0.0 <= found.left_ml <= volume
    assert found.layer_left_ml is not None
    assert found.layer_left_ml >= 0.0
    if found.viability is not None and found.living is not None:
        assert 0.0 <= found.viability.low <= found.viability.usual <= found.viability.high <= 100.0
        assert 0.0 <= found.living.low <= found.living.usual <= found.living.high
    assert shelf.do(found)


def test_a_layer_seen_later_counts_of_what_was_left_then():
    """60 of 150 mL after a first use: two fifths of it are yeast, whatever was said before."""
    seen = JarLayer(at=START + 2 * DAY, jar="ale-1", layer_ml=60.0, received=START + 2 * DAY)
    found = one(made(), used(100.0), seen, used(50.0, 2.5), days=3)
    assert found.layer_share == pytest.approx(0.4)
    assert found.layer_left_ml == pytest.approx(40.0)


# --- what it came from -------------------------------------------------------------------------------------------


def harvested(**more: object) -> Harvested:
    return Harvested(**({"at": START - DAY, "received": START - DAY, "wash": "w", "batch": "b", "strain": "ale",
                         "generation": 1, "volume_ml": 500} | more))  # fmt: skip


def fined(at: int) -> Fined:
    return Fined(at=at, received=START + 2 * DAY, batch="b", part=1, what="silica sol")


@pytest.mark.parametrize(("at", "advice"), [(START - 2 * DAY, "discard"), (START, "pitch")])
def test_lees_after_finings_are_nothing_for_the_shelf(at, advice):
    """Though the finings were told of later: those before the harvest throw the jar out, those after it do not."""
    records: dict[str, Record] = {"jar:ale-1": [made()], "wash:w": [harvested()], "batch:b": [harvested(), fined(at)]}
    found = shelf.one(records, "ale-1", PRACTICE, START + 3 * DAY)
    assert found is not None
    assert found.advice == advice
    assert ("finings" in shelf.do(found)) == (advice == "discard")


def test_a_starter_has_its_parents_past():
    """Doubts about the batch stay with what is grown from a jar of it; rings and missing parents end the search."""
    boost = made(START + DAY, jar="boost", origin="starter", wash=None, parents=["gone", "ale-1"], taken_ml=50.0)
    records: dict[str, Record] = {"jar:ale-1": [made(), boost], "jar:boost": [boost], "wash:w": [harvested(abv=12.0)]}
    found = shelf.one(records, "boost", PRACTICE, START + 2 * DAY)
    assert found is not None
    assert found.advice == "doubtful"
    ring: dict[str, Record] = {"jar:x": [made(jar="x", origin="starter", wash=None, parents=["y"])],
            "jar:y": [made(jar="y", origin="starter", wash=None, parents=["x"])]}  # fmt: skip
    assert shelf.harvest_of(ring, "x") is None
