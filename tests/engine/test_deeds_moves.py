"""What deeds about batches do at once: other vessels, parts, merges, ends that are taken back."""

import pytest

from monitor.engine.facts import children
from monitor.engine.lives import life_of
from monitor.engine.view import overview
from monitor.model.clock import DAY, HOUR
from monitor.model.deeds import Harvested, Merged, Racked, Reopened, Split, Undone
from monitor.model.inputs import Added, BatchClosed, BatchStarted
from monitor.rules.batch import HandPoint
from monitor.science import alcohol, forecast

from .cellar import PITCHED, Cellar, wobble

TWO = """
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[[probe]]
name = "float-b"
source = "mqtt"
topic = "float-b"
[[vessel]]
name = "bucket"
probes = ["float-a"]
[[vessel]]
name = "jug"
probes = ["float-b"]
[[vessel]]
name = "bare"
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.060
expected_final = 1.010
volume_l = 19
"""


def falling(hours: float) -> float:
    """From 1.060 by a point an hour and a half down to 1.010."""
    return round(max(1.010, 1.060 - 0.00066 * hours) + 0.0001 * (round(hours * 6) * 3 % 5 - 2), 5)


def at_work(hours: float = 30) -> Cellar:
    """A batch that ferments in the bucket, while a probe in the jug tells of what stands there."""
    cellar = Cellar(TWO)
    for _ in range(round(hours)):
        cellar.live("float-a", 1, gravity=falling, temperature=wobble(20.0, 0.1))
        cellar.say("float-b", gravity=0.998 + 0.0001 * (cellar.now // HOUR % 3), temperature=12.0)
    return cellar


# --- another vessel ----------------------------------------------------------------------------------------------


def test_after_racking_the_probes_of_the_new_vessel_tell() -> None:
    """What the jug's probe said before was of something else: no fall to it is seen, and no jump asked about."""
    cellar = at_work()
    assert cellar.batch.verdict == "working"
    before = cellar.batch.peak_rate
    cellar.tell(Racked(batch="amber-1", to="jug", at=cellar.now, loss_l=1.0))
    assert cellar.batch.vessel == "jug"
    assert [vessel for _, vessel in cellar.batch.homes] == ["bucket", "jug"]
    level = falling((cellar.now - PITCHED) / HOUR) + 0.0015  # the other float is a little off
    for _ in range(30):
        cellar.live("float-b", 1, gravity=wobble(level, 0.0001), temperature=wobble(20.0, 0.1))
    last = cellar.verdicts()[-1]
    assert "float-b" in last.used
    assert last.gravity == pytest.approx(level, abs=0.0005)
    assert cellar.batch.peak_rate == before
    assert cellar.batch.step_ms is None
    assert "probe-suspect" not in cellar.standing()
    assert cellar.batch.original == 1.060


def test_hand_readings_from_before_do_not_make_the_new_probe_a_liar() -> None:
    """The jug's probe told of another liquid when the reading was taken."""
    cellar = at_work()
    cellar.say("hand:bucket", gravity=1.0405)
    cellar.wait(HOUR)
    cellar.tell(Racked(batch="amber-1", to="jug", at=cellar.now))
    for _ in range(12):
        cellar.live("float-b", 1, gravity=wobble(1.040, 0.0001), temperature=wobble(20.0, 0.1))
    assert not cellar.batch.truths["float-b"].pairs
    assert "probe-suspect" not in cellar.standing()


def test_a_probe_that_was_left_behind_has_seen_no_thinning() -> None:
    """Told some hours late: the old probe fell to nothing meanwhile, which was neither water nor a jump."""
    cellar = at_work()
    racked = cellar.now
    for _ in range(3):
        cellar.live("float-a", 1, gravity=wobble(0.9985, 0.0001), temperature=wobble(20.0, 0.1))
    assert "probe-suspect" in cellar.standing()
    assert cellar.state.batches["amber-1"].thinned
    cellar.tell(Racked(batch="amber-1", to="jug", at=racked))
    assert cellar.batch.step_ms is None
    assert (cellar.batch.thinned, cellar.batch.thinned_seen) == (False, False)
    assert cellar.alerts("probe-suspect", "probe:float-a")[-1] == "returned"


def test_racked_into_a_vessel_without_a_probe_it_goes_on_by_hand() -> None:
    """Nobody tells its gravity there, and readings typed for that vessel are its own."""
    cellar = at_work()
    cellar.tell(Racked(batch="amber-1", to="bare", at=cellar.now))
    cellar.wait(2 * HOUR)
    assert cellar.verdicts()[-1].verdict == "unknown"
    cellar.say("hand:bare", gravity=1.039)
    assert [point.gravity for point in cellar.batch.hand] == [1.039]


def test_a_finished_batch_stays_finished_when_it_is_racked() -> None:
    """It takes no two and a half days of standing still to be called so again by the other probe."""
    cellar = at_work(190)
    assert cellar.batch.verdict == "finished"
    cellar.tell(Racked(batch="amber-1", to="jug", at=cellar.now))
    for _ in range(30):
        cellar.live("float-b", 1, gravity=wobble(1.0085, 0.0001), temperature=wobble(20.0, 0.1))
    assert cellar.batch.verdict == "finished"
    assert cellar.batch.rest_gravity == pytest.approx(1.0085, abs=0.0005)


def test_a_racking_taken_back_gives_the_old_probes_back() -> None:
    """A slip of the finger: the batch is where it was, and its own probe tells of it."""
    cellar = at_work()
    cellar.tell(Racked(batch="amber-1", to="jug", at=cellar.now))
    cellar.tell(Undone(of=cellar.now))
    assert (cellar.batch.vessel, cellar.batch.homes) == ("bucket", [(PITCHED, "bucket")])
    for _ in range(12):
        cellar.live("float-a", 1, gravity=falling, temperature=wobble(20.0, 0.1))
    assert cellar.verdicts()[-1].used == ("float-a",)


# --- parts and merges --------------------------------------------------------------------------------------------


def test_a_part_shares_what_was_known_of_the_whole() -> None:
    """Original gravity, pitch and expected end; its own vessel, readings and verdict."""
    cellar = at_work()
    cellar.say("hand:bucket", gravity=1.0405)
    cellar.tell(Split(batch="amber-1", name="amber-1b", vessel="jug", volume_l=4.0, at=cellar.now))
    whole, part = cellar.state.batches["amber-1"], cellar.state.batches["amber-1b"]
    assert (part.original, part.pitched_ms, part.expected_final) == (1.060, PITCHED, 1.010)
    assert (part.vessel, part.hand) == ("jug", [])
    assert not any(truth.pairs for truth in part.truths.values())
    assert (part.started_ms, part.peak_rate) == (whole.started_ms, whole.peak_rate)
    assert len(whole.hand) == 1
    level = falling((cellar.now - PITCHED) / HOUR)
    for _ in range(12):
        cellar.live("float-b", 1, gravity=wobble(level, 0.0001), temperature=wobble(20.0, 0.1))
    said = [event for event in cellar.verdicts() if event.batch == "amber-1b"][-1]
    assert said.gravity == pytest.approx(level, abs=0.0005)


def test_sugar_told_late_counts_for_the_part_too() -> None:
    """What went in before the split is in both, whenever it was told or taken back; what went in later is not."""
    cellar = at_work(4)
    early = cellar.now
    cellar.wait(HOUR)
    cellar.tell(Split(batch="amber-1", name="amber-1b", vessel="jug", volume_l=4.0, at=cellar.now))
    cellar.tell(Added(batch="amber-1", what="sugar", at=early, gravity_rise=0.010))
    received = cellar.now
    cellar.tell(Added(batch="amber-1", what="sugar", at=cellar.now, gravity_rise=0.005))
    assert cellar.state.batches["amber-1"].original == pytest.approx(1.075)
    assert cellar.state.batches["amber-1b"].original == pytest.approx(1.070)
    cellar.tell(Undone(of=received))
    assert cellar.state.batches["amber-1"].original == pytest.approx(1.065)
    assert cellar.state.batches["amber-1b"].original == 1.060
    assert children(cellar.state, "amber-1") == ["amber-1b"]


def test_a_merge_ends_one_and_rebases_the_other() -> None:
    """By the rise that was reckoned; where none could be, its strength is not known any more."""
    for rise, original, thinned in ((-0.004, 1.056, False), (None, 1.060, True)):
        cellar = at_work(4)
        told = {"name": "pale", "vessel": "jug", "pitched": PITCHED, "original_gravity": 1.050}
        cellar.tell(BatchStarted(batch=told))
        cellar.tell(Merged(batch="pale", into="amber-1", at=cellar.now, gravity_rise=rise, volume_l=4.0))
        received = cellar.now
        pale, amber = cellar.state.batches["pale"], cellar.state.batches["amber-1"]
        assert (pale.closed, pale.closed_ms) == (True, received - 1)
        assert amber.original == pytest.approx(original)
        assert amber.thinned is thinned
        cellar.tell(Undone(of=received))
        assert (pale.closed, amber.original, amber.thinned) == (False, 1.060, False)


# --- ends, starts, and taking them back --------------------------------------------------------------------------


def test_a_batch_opened_again_teaches_nobody_where_it_ends() -> None:
    """Closed as finished it taught; opened again, by a deed or by taking the end back, that is forgotten."""
    for back in ("reopen", "undo"):
        cellar = at_work(190)
        cellar.tell(BatchClosed(batch="amber-1"))
        closed = cellar.now
        assert [past.batch for past in cellar.state.finals] == ["amber-1"]
        cellar.tell(Reopened(batch="amber-1", at=cellar.now) if back == "reopen" else Undone(of=closed))
        assert not cellar.state.finals
        assert not cellar.batch.closed
        assert cellar.verdicts()[-1].verdict == "finished"


def test_a_start_taken_back_removes_the_batch_unless_something_was_done_to_it() -> None:
    """Nothing of it stands then, its alerts neither; a batch that somebody harvested or read stays."""
    cellar = Cellar(TWO)
    told = {"name": "pale", "vessel": "jug", "pitched": PITCHED, "start_within": 3600.0}
    cellar.tell(BatchStarted(batch=told))
    start = cellar.now
    cellar.live("float-b", 6, gravity=wobble(1.050, 0.0001), temperature=wobble(20.0, 0.1))
    cellar.wait(3 * DAY)
    assert any(alert.about == "batch:pale" for alert in cellar.state.book.standing.values())
    cellar.tell(Harvested(wash="w", batch="pale", strain="ale", generation=1, volume_ml=300.0, at=cellar.now))
    harvest = cellar.now
    cellar.tell(Undone(of=start))
    assert "pale" in cellar.state.batches
    cellar.tell(Undone(of=harvest))
    assert "pale" not in cellar.state.batches
    assert not any(alert.about == "batch:pale" for alert in cellar.state.book.standing.values())


def test_a_start_taken_back_at_once_leaves_nothing() -> None:
    """Its piece is dropped from the store, and the name is free again."""
    cellar = Cellar(TWO)
    told = {"name": "pale", "vessel": "jug", "pitched": PITCHED}
    cellar.tell(BatchStarted(batch=told))
    cellar.commit()
    assert "batch:pale" in cellar.pieces
    cellar.tell(Undone(of=cellar.now))
    cellar.commit()
    assert "pale" not in cellar.state.batches
    assert "batch:pale" not in cellar.pieces
    assert "record:batch:pale" in cellar.pieces
    cellar.tell(BatchStarted(batch={**told, "vessel": "bare"}))
    assert cellar.state.batches["pale"].vessel == "bare"


def test_hand_readings_keep_a_batch_whose_start_was_taken_back() -> None:
    """Somebody measured it: it is there."""
    cellar = Cellar(TWO)
    cellar.tell(BatchStarted(batch={"name": "pale", "vessel": "jug", "pitched": PITCHED}))
    start = cellar.now
    cellar.state.batches["pale"].hand.append(HandPoint(cellar.now, 1.050, 0.001))
    cellar.tell(Undone(of=start))
    assert "pale" in cellar.state.batches


# --- a forecast --------------------------------------------------------------------------------------------------

MIXED = TWO.replace("original_gravity = 1.060\n", "") + (
    '[batch.ingredients]\nsugar_kg = { sucrose = 3.0 }\ngrain_kg = { corn = 2.3 }\nenzymes = "added"\n'
)


def test_without_a_reading_the_forecast_of_the_ingredients_stands_in() -> None:
    """For a configured batch as for a started one; it knows that nobody read it, and how unsure it is."""
    expected = forecast.original(19.0, {"sucrose": 3.0}, {"corn": 2.3}, "added")
    cellar = Cellar(MIXED)
    batch = cellar.batch
    assert batch.original == pytest.approx(expected.og)
    assert not batch.original_told
    assert batch.forecast_sd is not None
    assert batch.forecast_sd == pytest.approx(
        max(expected.og_high - expected.og, expected.og - expected.og_low) / 1.645
    )
    assert batch.fermentables == "mixed"
    found = life_of(cellar.state, "amber-1", cellar.now)
    assert found is not None
    assert found.facts.original_how == "forecast"


def test_a_gravity_that_was_read_early_replaces_the_forecast() -> None:
    """The probe's first steady hours count, not what the ingredients should have given."""
    cellar = Cellar(MIXED)
    cellar.live("float-a", 8, gravity=wobble(1.0820, 0.0001), temperature=wobble(20.0, 0.1))
    assert cellar.batch.original == pytest.approx(1.0820, abs=0.0003)
    assert cellar.batch.forecast_sd is None


def known(cellar: Cellar) -> tuple[float | None, str | None, float | None]:
    """The original gravity and how it is known by the batch's life, and the one its strength is reckoned from."""
    found = life_of(cellar.state, "amber-1", cellar.now)
    assert found is not None
    return found.facts.original, found.facts.original_how, found.strength.og if found.strength else None


def test_one_reading_by_hand_near_the_pitch_tells_the_original_gravity() -> None:
    """It was read, so no forecast is named; a reading from the day after tells nothing of the start."""
    cellar = Cellar(MIXED.replace('probes = ["float-a"]', ""))
    cellar.wait_until(PITCHED + 30 * HOUR)
    cellar.say("hand:bucket", cellar.now, gravity=1.0700)
    assert known(cellar)[1] == "forecast"
    cellar.say("hand:bucket", PITCHED + HOUR, gravity=1.0830)
    assert known(cellar) == (1.0830, "read", 1.0830)
    (shown,) = overview(cellar.state, cellar.now)["batches"]
    assert shown["original"]["gravity"] == 1.0830
    assert shown["alcohol"]["apparent_attenuation"] == pytest.approx(alcohol.apparent_attenuation(1.083, 1.07), abs=0.1)


def test_a_reading_beside_a_probe_or_what_was_told_says_nothing_of_the_start() -> None:
    """Where a person told it, or a probe saw it, that stands."""
    told = Cellar(TWO.replace('probes = ["float-a"]', ""))
    told.say("hand:bucket", PITCHED + 1, gravity=1.0700)
    assert known(told)[:2] == (1.060, "told")
    probed = Cellar(MIXED)
    probed.live("float-a", 8, gravity=wobble(1.0820, 0.0001), temperature=wobble(20.0, 0.1))
    probed.say("hand:bucket", gravity=1.0850)
    assert known(probed)[:2] == (probed.batch.original, "read")
    assert known(probed)[0] != 1.0850


def test_a_batch_with_a_forecast_alone_teaches_no_other() -> None:
    """Nobody read where it began, so its attenuation is not known."""
    cellar = Cellar(MIXED)
    cellar.batch.rest, cellar.batch.last_gravity = "finished", 0.995
    cellar.tell(BatchClosed(batch="amber-1"))
    assert not cellar.state.finals
