"""Hand readings that are taken back and count again: what is kept of them, and what they led to goes and comes back."""

from __future__ import annotations

import pytest

from monitor.engine.lives import life_of
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.deeds import Undone
from monitor.model.inputs import BatchClosed, BatchStarted, ReadingUndone

from .cellar import PITCHED, PLAIN, Cellar

BY_HAND = PLAIN.replace('probes = ["float-a"]', "")
ANY = BY_HAND.split("[[batch]]", maxsplit=1)[0]
FELL = ((1, 1.060), (26, 1.045), (50.3, 1.030))


def by_hand(*readings: tuple[float, float], configuration: str = BY_HAND) -> Cellar:
    """A batch with these readings: hours after pitching, gravity."""
    cellar = Cellar(configuration)
    for hours, value in readings:
        read(cellar, hours, value)
    return cellar


def read(cellar: Cellar, hours: float, value: float) -> None:
    cellar.wait_until(max(PITCHED + round(hours * HOUR), cellar.now + 1))
    cellar.say("hand:bucket", cellar.now, gravity=value)


def take_back(cellar: Cellar, number: int) -> int:
    """Take back the reading of that number; when that was received."""
    cellar.tell(ReadingUndone(vessel="bucket", at=cellar.batch.hand[number].at_ms))
    return cellar.now


def again(cellar: Cellar, of: int) -> int:
    """Take an undoing back; when that was received."""
    cellar.tell(Undone(of=of))
    return cellar.now


def learned(cellar: Cellar) -> tuple[object, ...]:
    """What the rules remember of the one batch by its readings; times to the minute."""
    batch = cellar.batch
    times = [None if at is None else at // MINUTE for at in (batch.started_ms, batch.first_ms, batch.slowed_ms)]
    return batch.original, batch.baseline, batch.peak_rate, *times


def history(cellar: Cellar) -> list[tuple[str, bool, str]]:
    """The lines about readings: gravity, whether it counts, and why."""
    life = life_of(cellar.state, "amber-1", cellar.now)
    assert life is not None
    return [(line.text[14:20], line.counts, line.why) for line in life.history if line.text.startswith("read by hand")]


def test_a_reading_that_was_taken_back_counts_again() -> None:
    """Its undoing taken back, the verdict, the start and the fastest rate are as they were."""
    cellar = by_hand(*FELL)
    before, said = learned(cellar), cellar.verdicts()[-1].verdict
    undone = take_back(cellar, 2)
    assert cellar.verdicts()[-1].verdict == "unknown"
    again(cellar, undone)
    assert (cellar.verdicts()[-1].verdict, learned(cellar)) == (said, before)
    assert [point.gravity for point in cellar.batch.hand] == [1.060, 1.045, 1.030]
    assert cellar.batch.struck == []


def test_undoing_goes_to_and_fro_without_end() -> None:
    """An undoing of an undoing of an undoing: the reading does not count; one more, and it does."""
    cellar = by_hand(*FELL)
    of = take_back(cellar, 0)
    for counted in (3, 2, 3):
        of = again(cellar, of)
        assert len(cellar.batch.hand) == counted
        assert len(cellar.batch.struck) == 3 - counted


def test_a_reading_is_taken_back_a_second_time() -> None:
    """After it counted again: then it does not, and the last undoing is the one to take back."""
    cellar = by_hand(*FELL)
    again(cellar, take_back(cellar, 1))
    second = take_back(cellar, 1)
    assert [point.gravity for point in cellar.batch.hand] == [1.060, 1.030]
    again(cellar, second)
    assert [point.gravity for point in cellar.batch.hand] == [1.060, 1.045, 1.030]


def test_the_history_shows_it_struck_out_with_when() -> None:
    """It stays, does not count, and says when it was taken back, and later that it counts again."""
    cellar = by_hand(*FELL)
    undone = take_back(cellar, 1)
    lines = history(cellar)
    assert [(gravity, counts) for gravity, counts, _ in lines] == [
        ("1.0600", True),
        ("1.0450", False),
        ("1.0300", True),
    ]
    assert lines[1][2].startswith("taken back on 2026-03-04T20:18")
    again(cellar, undone)
    lines = history(cellar)
    assert [counts for _, counts, _ in lines] == [True, True, True]
    assert "counted again on" in lines[1][2]


@pytest.mark.parametrize("slip", [1.160, 0.960])
def test_a_mistyped_first_reading_leaves_nothing_behind(slip: float) -> None:
    """Original gravity, start and fastest rate are those of the readings that count, whatever was read first."""
    right = by_hand(*FELL, (60, 1.025))
    cellar = by_hand((0.9, slip), *FELL)
    take_back(cellar, 0)
    read(cellar, 60, 1.025)
    assert learned(cellar) == learned(right)
    assert cellar.verdicts()[-1].verdict == right.verdicts()[-1].verdict


def test_the_forecast_stands_in_again_when_the_reading_of_the_start_is_taken_back() -> None:
    """Nobody read the original gravity then; counted again, somebody did."""
    cellar = Cellar(ANY)
    told = {"name": "amber-1", "vessel": "bucket", "pitched": PITCHED, "volume_l": 19,
            "ingredients": {"sugar_kg": {"sucrose": 3.0}}}  # fmt: skip
    cellar.tell(BatchStarted(batch=told))
    forecast = cellar.batch.original
    assert forecast is not None
    for hours, value in ((1, 1.054), *FELL[1:]):
        read(cellar, hours, value)
    assert (cellar.batch.original, cellar.batch.forecast_sd) == (1.054, None)
    undone = take_back(cellar, 0)
    assert cellar.batch.original == forecast
    assert cellar.batch.forecast_sd is not None
    again(cellar, undone)
    assert (cellar.batch.original, cellar.batch.forecast_sd) == (1.054, None)


def test_an_alert_goes_with_the_reading_that_told_of_it() -> None:
    """Stalled by three readings; the third was a mistake: nothing says stalled any more, though nothing is known."""
    cellar = by_hand((1, 1.060), (24, 1.040), (49, 1.040), (73, 1.040), (98, 1.040))
    assert "ferment-stalled" in cellar.standing()
    for _ in range(3):
        take_back(cellar, -1)
    assert cellar.verdicts()[-1].verdict == "unknown"
    assert "ferment-stalled" not in cellar.standing()
    assert cellar.last("ferment-stalled").message == "The hand reading that said so was taken back."


def test_an_alert_stays_when_another_reading_is_taken_back() -> None:
    """Silence resolves nothing: a week later an old reading is taken back, and what the last one told stands."""
    cellar = by_hand((1, 1.060), (24, 1.040), (49, 1.040), (73, 1.040), (98, 1.040))
    cellar.wait(7 * 24 * HOUR)
    assert cellar.verdicts()[-1].verdict == "unknown"
    take_back(cellar, 0)
    assert "ferment-stalled" in cellar.standing()


def test_what_is_said_after_a_reading_was_taken_back_is_of_those_left() -> None:
    """Unknown before and after: it is said anew, with how many count now."""
    cellar = by_hand((1, 1.060), (2, 1.060))
    take_back(cellar, -1)
    assert "there is one" in cellar.verdicts()[-1].because[0]


def test_taking_back_what_is_not_there_is_no_entry_of_the_record() -> None:
    """Nothing is struck out, and there is nothing that could count again."""
    cellar = by_hand(*FELL)
    cellar.tell(ReadingUndone(vessel="bucket", at=PITCHED + 7 * MINUTE))
    cellar.tell(ReadingUndone(vessel="nowhere", at=cellar.batch.hand[0].at_ms))
    assert "batch:amber-1" not in cellar.state.records
    assert len(cellar.batch.hand) == 3


def test_a_reading_of_a_batch_that_is_over_counts_again() -> None:
    """Its undoing is found by its record, wherever the batch is now."""
    cellar = by_hand(*FELL)
    undone = take_back(cellar, 2)
    cellar.tell(BatchClosed(batch="amber-1"))
    again(cellar, undone)
    assert len(cellar.batch.hand) == 3


def test_what_was_taken_back_is_in_the_state_as_committed() -> None:
    """Put together from its pieces, the state has the same readings, struck out ones too, and the same record."""
    cellar = by_hand(*FELL)
    take_back(cellar, 0)
    cellar.commit()
    take_back(cellar, 0)
    cellar.commit()
    whole = State.restore(cellar.pieces)
    assert whole.batches == cellar.state.batches
    assert whole.records == cellar.state.records
    assert [point.gravity for point in whole.batches["amber-1"].struck] == [1.060, 1.045]
