"""Why a batch may have stalled: what speaks for each likely cause, in a sentence with its figures, and how strongly.

The weights are a ranking by evidence, made to add up to one; they are no measured frequencies. What counts as strong
is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.model.clock import DAY, HOUR
from monitor.model.events import Cause
from monitor.rules.batch import BatchState, Expectation
from monitor.rules.health import span_words
from monitor.science import alcohol

COLD_NEAR_K = 1.5  # so far above the yeast's range it is still on the cool side
DROP_K = 5.0  # a fall of temperature that makes yeast drop out, though it stays in its range
SETTLE_K = 7.0  # no room cools a bucket so far in two days: somebody moved it
SETTLED_C = 10.0
HEAT_K = 4.0  # so far above its range yeast is hurt
ALCOHOL_NEAR = 1.5  # % by volume below the limit, where it begins to slow
USUAL_LIMIT = 14.0  # % by volume, where nothing is set
EARLY = 0.75  # of the expected fall
SLUGGISH_DAYS = 9.0  # for the whole fall at its fastest
ABRUPT_MS = 16 * HOUR


@dataclass(frozen=True, slots=True)
class Likely:
    """One cause: how strongly the evidence speaks for it, and the evidence."""

    cause: str
    strength: float
    evidence: str


def stall_causes(batch: BatchState, gravity: float, expected: Expectation | None) -> tuple[Likely, ...]:
    """Likely causes of a stall, the likeliest first."""
    found = [*_temperature(batch), *_alcohol(batch, gravity), *_start(batch, gravity, expected)]
    if not any(each.cause == "stopped-early" or each.strength >= 1.0 for each in found):
        found.append(_early(batch, gravity, expected, least=0.7))
    return tuple(sorted(found, key=lambda each: (-each.strength, each.cause)))


def shares(found: tuple[Likely, ...]) -> tuple[Cause, ...]:
    """As an event carries them: weights that add up to one."""
    total = sum(each.strength for each in found)
    return tuple(Cause(each.cause, each.strength / total) for each in found)


def _temperature(batch: BatchState) -> list[Likely]:
    """What the liquid went through in the two days before it slowed, and after that up to its standstill."""
    found: list[Likely] = []
    limit, why = batch.cold_below()
    climate = batch.climate
    if climate is None:
        return found
    coldest, warmest, fell = climate
    if fell >= SETTLE_K and coldest <= SETTLED_C:
        found.append(
            Likely(
                "chilled",
                4.0,
                f"it was chilled by {fell:.0f} K to {coldest:.1f} °C around the time it slowed: by intent?",
            )
        )
    elif coldest < limit:
        found.append(Likely("too-cold", 3.0 + min(limit - coldest, 3.0) / 3.0,
                            f"the liquid fell to {coldest:.1f} °C before it stood still, and {why}"))  # fmt: skip
    elif fell >= DROP_K:
        found.append(Likely("too-cold", 1.5, f"the liquid cooled by {fell:.1f} K within two days as it slowed"))
    elif batch.yeast_low is not None and coldest < limit + COLD_NEAR_K:
        found.append(Likely("too-cold", 0.8, f"at {coldest:.1f} °C it is only just inside the yeast's range"))
    if batch.yeast_high is not None and warmest > batch.yeast_high + HEAT_K:
        found.append(Likely("too-warm", 1.5, f"the liquid reached {warmest:.1f} °C, and its yeast is meant for at most "
                                             f"{batch.yeast_high:g} °C"))  # fmt: skip
    return found


def _alcohol(batch: BatchState, gravity: float) -> list[Likely]:
    if batch.original is None or batch.original <= gravity or batch.thinned:
        return []
    reached = alcohol.abv(batch.original, gravity)
    limit = batch.alcohol_limit if batch.alcohol_limit is not None else USUAL_LIMIT
    short = limit - reached
    if short > ALCOHOL_NEAR:
        return []
    told = "its yeast's limit is" if batch.alcohol_limit is not None else "many yeasts stop near"
    strength = (3.0 if batch.alcohol_limit is not None else 1.5) * min(1.0, 1.2 - 0.4 * short / ALCOHOL_NEAR)
    return [Likely("alcohol-near-limit", strength, f"it holds {reached:.1f} % alcohol by now, and {told} {limit:g} %")]


def _start(batch: BatchState, gravity: float, expected: Expectation | None) -> list[Likely]:
    found: list[Likely] = []
    if batch.started_ms is not None and not batch.seen_late():
        lag = batch.started_ms - batch.pitched_ms
        if lag > batch.start_within_ms:
            found.append(
                Likely("slow-from-the-start", 1.2, f"it took {span_words(lag)} to start, and "
                       f"{span_words(batch.start_within_ms)} is usual")
            )  # fmt: skip
        original = batch.start_gravity()
        if not found and original is not None and expected is not None and batch.peak_rate > 0.0:
            days = (original - expected.final) / batch.peak_rate
            if days > SLUGGISH_DAYS:
                found.append(Likely("slow-from-the-start", 1.0, f"even at its fastest, {batch.peak_rate:.4f} a day, it "
                                                                f"would have needed {days:.0f} days"))  # fmt: skip
    early = _early(batch, gravity, expected, least=0.0)
    return [*found, early] if early.strength > 0.0 else found


def _early(batch: BatchState, gravity: float, expected: Expectation | None, *, least: float) -> Likely:
    original = batch.start_gravity()
    done = 1.0
    if original is not None and expected is not None:
        done = (original - gravity) / max(original - expected.final, 0.001)
    strength = max(least, 1.5 if done < EARLY else 0.0)
    words = f"it stopped after {done:.0%} of its expected fall"
    if (
        batch.rests_ms is not None
        and batch.slowed_ms is not None
        and batch.rests_ms - 2 * DAY - batch.slowed_ms < ABRUPT_MS
    ):
        words += (
            ", from full pace to a standstill within a day: cells dying or dropping out rather than sugar running out"
        )
        strength += 0.3
    return Likely("stopped-early", strength, words)
