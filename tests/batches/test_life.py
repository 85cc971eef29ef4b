"""The life of a batch, folded from its record: places, stages, volume, strength, history."""

from typing import Any

import pytest

from monitor.batches import picture
from monitor.batches.life import Facts, Life, fold
from monitor.model.clock import DAY, MINUTE, iso
from monitor.model.config import Batch
from monitor.model.deeds import (
    Clarity,
    Fined,
    Harvested,
    Held,
    HoldEnded,
    Merged,
    Noted,
    Photo,
    Racked,
    Reopened,
    SealedUp,
    Split,
    Undone,
)
from monitor.model.inputs import Added, BatchClosed, BatchStarted, JournalEntry, StageChanged
from monitor.science import additions, alcohol

PITCHED = 1_772_474_400_000  # 2026-03-02T18:00:00Z
TOLD = {"name": "amber-1", "vessel": "bucket", "pitched": iso(PITCHED), "volume_l": 19.0, "original_gravity": 1.060}
START = Batch.model_validate(TOLD)


def at(days: float) -> int:
    return PITCHED + round(days * DAY)


def record(*entries: JournalEntry) -> list[JournalEntry]:
    """Entries as received one minute after another, a day after the batch was pitched."""
    return [each.model_copy(update={"received": at(1) + number * MINUTE}) for number, each in enumerate(entries)]


def facts(**more: Any) -> Facts:
    known = {"original": 1.060, "original_how": "told", "gravity": 1.010, "gravity_ms": at(9), "pitched_ms": PITCHED,
             "vessels_l": {"bucket": 23.0, "jug": 20.0}}  # fmt: skip
    return Facts(**{"now_ms": at(10), "vessel": "bucket", **known, **more})


def life(*entries: JournalEntry, start: Batch | None = START, name: str = "amber-1", **more: Any) -> Life:
    return fold(name, start, record(*entries), facts(**more))


def added(what: str, amount: float, unit: Any, days: float, **more: Any) -> Added:
    return Added(batch="amber-1", what=what, amount=amount, unit=unit, at=at(days), **more)


# --- where it was ------------------------------------------------------------------------------------------------


def test_stages_and_vessels_have_their_times() -> None:
    """Each stay ends where the next begins; the last is open; racking into the same vessel is none."""
    found = life(
        StageChanged(batch="amber-1", stage="clearing", at=at(8)),
        Racked(batch="amber-1", to="jug", at=at(7), volume_l=17.0),
        Racked(batch="amber-1", to="jug", at=at(7.5)),
        StageChanged(batch="amber-1", stage="cold"),
    )
    assert [(stay.what, stay.from_ms, stay.to_ms) for stay in found.vessels] == [
        ("bucket", PITCHED, at(7)), ("jug", at(7), None),
    ]  # fmt: skip
    assert [(stay.what, stay.from_ms) for stay in found.stages] == [
        ("fermenting", PITCHED), ("cold", at(1) + 3 * MINUTE), ("clearing", at(8)),
    ]  # fmt: skip
    assert found.racked_ms == at(7)


def test_a_close_a_reopening_and_a_merge_say_since_when_it_is_over() -> None:
    """Closed twice is closed once; what was opened again is open; what was poured into another is over."""
    closed = BatchClosed(batch="amber-1", at=at(5))
    assert life(closed, BatchClosed(batch="amber-1", at=at(6))).closed_ms == at(5)
    assert life(closed, Reopened(batch="amber-1", at=at(6))).closed_ms is None
    gone = life(Merged(batch="amber-1", into="pale", at=at(4), volume_l=4.0))
    assert (gone.closed_ms, gone.merged_into) == (at(4), "pale")


def test_a_part_begins_with_the_split() -> None:
    """A part is in its own vessel from then on, with its own volume; the whole has so much less, and names it."""
    split = Split(batch="amber-1", name="amber-1b", vessel="jug", volume_l=4.0, at=at(6))
    part, whole = life(split, name="amber-1b", vessel="jug"), life(split)
    assert (part.split_from, part.volume_l, part.vessels[0].what, part.vessels[0].from_ms) == (
        "amber-1", 4.0, "jug", at(6),
    )  # fmt: skip
    assert (whole.parts, whole.volume_l, whole.split_from) == (("amber-1b",), 15.0, None)


# --- how much ----------------------------------------------------------------------------------------------------


def test_the_volume_follows_what_came_and_went() -> None:
    """Told, then measured at racking, then less what was split and more what was poured in."""
    rack = Racked(batch="amber-1", to="jug", at=at(7), volume_l=17.2)
    split = Split(batch="amber-1", name="b", vessel="jar", volume_l=2.2, at=at(8))
    merge = Merged(batch="c", into="amber-1", volume_l=3.0, at=at(9))
    assert life().volume_l == 19.0
    assert life(rack).volume_l == pytest.approx(17.2)
    assert life(rack).lost_l == pytest.approx(1.8)
    assert life(rack, split, merge).volume_l == pytest.approx(18.0)
    assert life(Racked(batch="amber-1", to="jug", at=at(7), loss_l=2.5)).volume_l == pytest.approx(16.5)


def test_what_nobody_told_is_taken_for_the_vessel_and_says_so() -> None:
    """Without a volume, the vessel's own stands in; without a vessel it is not known."""
    untold = START.model_copy(update={"volume_l": None})
    assert life(start=untold).volume_l == 23.0
    assert "nobody said" in life(start=untold).volume_how
    assert life(start=untold, vessels_l={}).volume_l is None


def test_nonsense_never_makes_less_than_nothing() -> None:
    """A loss greater than all of it leaves nothing."""
    assert life(Racked(batch="amber-1", to="jug", at=at(7), loss_l=900.0)).volume_l == 0.0


# --- how strong --------------------------------------------------------------------------------------------------


def test_a_wash_fed_in_steps_is_as_strong_as_all_its_sugar() -> None:
    """Two feeds of sugar: the original gravity is what the same sugar would have made at once, by the balance."""
    feeds = [added("sugar", 1000.0, "g", 2), added("sugar", 1.0, "kg", 4)]
    steps = [additions.AddSugar(1.0), additions.AddSugar(1.0)]
    whole = additions.balance(19.0, 1.060, steps, 1.000)
    half = additions.balance(19.0, 1.060, steps[:1], 1.000)
    rises = {at(1): half.og - 1.060, at(1) + MINUTE: whole.og - half.og}
    found = life(*feeds, original=whole.og, rises=rises, gravity=1.000).strength
    assert found is not None
    assert found.og == pytest.approx(whole.og, abs=1e-9)
    assert found.abv == pytest.approx(alcohol.abv(whole.og, 1.000), abs=1e-6)
    assert found.abv_low < found.abv < found.abv_high
    assert found.abv > alcohol.abv(1.060, 1.000) + 2.0
    assert found.apparent_low < found.apparent_attenuation < found.apparent_high


def test_a_racking_loss_moves_no_strength() -> None:
    """What stays behind takes the same share of everything with it; sugar after it counts for more."""
    plain = life().strength
    assert plain is not None
    racked = life(Racked(batch="amber-1", to="jug", at=at(7), volume_l=9.5)).strength
    assert racked is not None
    assert racked.abv == pytest.approx(plain.abv)

    rack = Racked(batch="amber-1", to="jug", at=at(2), volume_l=9.5)
    fed = added("sugar", 500.0, "g", 3)
    rises = {at(1) + MINUTE: 0.016}
    found = life(rack, fed, original=1.076, rises=rises).strength
    assert found is not None
    assert found.og == pytest.approx(additions.balance(9.5, 1.060, [additions.AddSugar(0.5)], 1.01).og, abs=0.0005)


def test_a_gravity_read_before_sugar_went_in_is_reckoned_for_the_mix() -> None:
    """The strength falls a little with the dilution; it does not jump as if the new sugar had fermented."""
    before = life(gravity=1.030, gravity_ms=at(3)).strength
    after = life(added("sugar", 1.0, "kg", 4), original=1.0773, rises={at(1): 0.0173}, gravity=1.030, gravity_ms=at(3))
    assert before is not None
    assert after.strength is not None
    assert after.strength.abv == pytest.approx(before.abv, abs=0.25)
    assert after.strength.gravity > 1.040
    assert "reckoned for the mix" in after.strength.how


@pytest.mark.parametrize(
    ("entry", "more", "said"),
    [
        (None, {"original": None}, "original gravity is not known"),
        (None, {"gravity": None}, "take a hydrometer reading"),
        (Added(batch="amber-1", what="water", at=at(2)), {"thinned": True}, "nobody said how much"),
        (Added(batch="amber-1", what="juice", at=at(2)), {}, "what juice brought is not known"),
        (Added(batch="amber-1", what="sugar", at=at(9.5), gravity_rise=0.01),
         {"rises": {at(1): 0.01}, "original": 1.07}, "read it again"),
        (None, {"original": 1.0004}, "do not fit"),
    ],
    ids=["no original", "no gravity", "water", "juice", "fed since it was read", "out of range"],
)  # fmt: skip
def test_what_cannot_be_known_is_said(entry: JournalEntry | None, more: dict[str, Any], said: str) -> None:
    """No number where there is none to give, and why."""
    found = life(*([entry] if entry else []), **more)
    assert found.strength is None
    assert said in found.no_strength


def test_nutrient_and_acid_bring_no_sugar() -> None:
    """Unweighed nutrient leaves the strength known."""
    assert life(Added(batch="amber-1", what="nutrient", at=at(2))).strength is not None
    assert life(Added(batch="amber-1", what="acid blend", at=at(2))).strength is not None


def test_a_forecast_says_that_it_is_one_and_is_less_sure() -> None:
    """Reckoned from ingredients it carries its wider error into the strength."""
    read, guessed = life(), life(original_how="forecast", original_error=0.005)
    assert read.strength is not None
    assert guessed.strength is not None
    assert guessed.strength.abv_high - guessed.strength.abv_low > read.strength.abv_high - read.strength.abv_low
    assert "nobody has read" in guessed.strength.how


def test_another_batch_poured_in_makes_nothing_surer() -> None:
    """Its original gravity is known no better: the error does not shrink as if it were exact."""
    merge = Merged(batch="b", into="amber-1", at=at(5), volume_l=19.0, original=1.060, gravity=1.010, gravity_rise=0.0)
    found = life(merge, rises={at(1): 0.0}, original_error=0.004).strength
    alone = life(original_error=0.004).strength
    assert found is not None
    assert alone is not None
    assert found.og_high - found.og_low == pytest.approx(alone.og_high - alone.og_low, rel=0.01)


# --- its history -------------------------------------------------------------------------------------------------


def test_the_history_is_sentences_in_order_of_time() -> None:
    """Told out of order, shown in the order in which it was done; readings by hand stand between."""
    found = life(
        Racked(batch="amber-1", to="jug", at=at(7), volume_l=17.2),
        added("sugar", 500.0, "g", 2, sugar="sucrose", gravity_rise=0.0085),
        Noted(about="batch:amber-1", text="bread and apples", sort="tasting", score=7, at=at(8)),
        hand=((at(4), 1.0213, 0.001),),
    )
    assert [line.text for line in found.history] == [
        "pitched in bucket, as the configuration says",
        "500 g sugar (sucrose) added, original gravity +0.0085",
        "read by hand: 1.0213 ± 0.0010",
        "racked to jug, 17.2 L arrived",
        "tasted: bread and apples (7 of 10)",
    ]
    assert all(line.counts and not line.why for line in found.history)


def test_what_was_taken_back_stays_struck_out_with_when() -> None:
    """Undone it does not count; undone again it does, and both times are told."""
    entries = record(added("sugar", 500.0, "g", 2), BatchClosed(batch="amber-1"))
    first = Undone(of=entries[0].received, received=at(2))
    again = Undone(of=first.received, received=at(3))
    once = fold("amber-1", START, [*entries, first], facts(), local=lambda ms: f"day {(ms - PITCHED) // DAY}")
    twice = fold("amber-1", START, [*entries, first, again], facts(), local=lambda ms: f"day {(ms - PITCHED) // DAY}")
    assert [(line.counts, line.why) for line in once.history[1:]] == [(True, ""), (False, "taken back on day 2")]
    assert once.additions == ()
    assert twice.history[2].counts
    assert twice.history[2].why == "taken back on day 2, and counted again on day 3"
    assert len(twice.additions) == 1


def test_every_kind_of_entry_is_told_in_words() -> None:
    """No entry of a batch shows as a bare word of the journal; each is kept where it belongs."""
    found = life(
        BatchStarted(batch={**TOLD, "yeast": "ale", "jars": ["ale-g1"]}),
        Fined(batch="amber-1", part=1, what="silica sol", dose_ml=15.0, at=at(3)),
        Clarity(batch="amber-1", clearness="hazy", at=at(4)),
        Clarity(batch="amber-1", ntu=12.0, at=at(4.1)),
        Held(about="batch:amber-1", target_c=4.0, hours=48.0, fridge="larder", at=at(5)),
        HoldEnded(about="batch:amber-1", at=at(6)),
        SealedUp(batch="amber-1", litres=4.0, headspace_l=0.3, sealed_at_c=4.0, stored_at_c=25.0, at=at(7)),
        Harvested(wash="w1", batch="amber-1", strain="ale", generation=2, volume_ml=400.0, at=at(8)),
        Photo(about="batch:amber-1", file="0123456789abcdef.jpg", caption="clear", at=at(9)),
        Noted(about="batch:amber-1", text="of eggs", sort="off-smell", at=at(9.1)),
        Noted(about="batch:amber-1", text="a bung was loose", at=at(9.2)),
        Reopened(batch="amber-1", at=at(9.3)),
    )
    said = [line.text for line in found.history]
    kinds = {"batch", "fining", "clarity", "hold", "hold-ended", "sealed", "harvest", "photo", "note", "batch-reopened"}
    assert len(said) == 12
    assert not kinds & set(said)
    assert said[0] == "pitched in bucket, 19 L, original gravity 1.060, yeast ale, from ale-g1"
    assert found.history[0].at_ms == PITCHED  # when it was pitched, not when that was told
    assert "4 L sealed in glass (not rated for pressure)" in said
    assert [len(each) for each in (found.finings, found.clearness, found.holds, found.seals, found.harvests)] == [
        1, 2, 2, 1, 1,
    ]  # fmt: skip
    assert [len(each) for each in (found.notes, found.off_smells, found.tastings, found.photos)] == [1, 1, 0, 1]


def test_the_picture_as_json_has_times_as_text() -> None:
    """For `--json` and the API: no bare milliseconds, unknown is null."""
    told = picture.life(life(added("sugar", 500.0, "g", 2), rises={at(1): 0.0085}, original=1.0685, gravity=None))
    assert told["strength"] is None
    assert told["additions"] == [
        {"at": iso(at(2)), "received": iso(at(1)), "what": "sugar", "amount": 500.0, "unit": "g"}
    ]
    assert told["vessels"] == [{"vessel": "bucket", "from": iso(PITCHED), "to": None, "how": "started"}]
    assert told["history"][1]["received"] == iso(at(1))
    assert told["pitched"] == iso(PITCHED)
