"""The seal check: whether a batch may be closed tight. Safe is said only where three things are so, and never guessed.

It is `finished`; the 95 % upper bound of what may still fall is at most 0.001; and the gas that it holds, warmed to
the hottest place it will stand, makes no pressure that matters to the vessel. Ordinary glass is rated for no pressure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from monitor.batches.record import counting
from monitor.model.deeds import Material, Merged, SealedUp, Unsealed
from monitor.model.inputs import JournalEntry
from monitor.science import sealing

FALL_MOST: Final = 0.001
Z_95: Final = 1.645
SAME_SCALE_SD: Final = 0.0004
"""SG: standard error of one reading of one hydrometer against another reading of the same one, degassed and with its
temperature told: rounded to 0.001 (0.0003), and as much again for the eye (common practice, no source)."""
FELL: Final = 0.0015
"""SG: a fall since it was closed that two readings of one scale do not explain (2.6 standard errors of both)."""
DRY: Final = 0.988
"""SG: where a sugar wash may end, taken where nothing is known of the end (common practice, no source)."""

GLASS: Final = (
    "ordinary glass jugs, jars and demijohns are not rated for pressure: they burst without warning and throw splinters"
)
RELEASE: Final = (
    "do not shake, move or warm it; cool it, cover it with a thick cloth, wear eye protection, and let the gas off "
    "slowly, or put an airlock on"
)
AIR_THE_ROOM: Final = "gas that is let off gathers low: air the room, and do not bend into vessels or pits"


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a batch. Gravities SG 20/20; None: not known."""

    verdict: str | None
    gravity: float | None
    gravity_error: float | None = None
    """Standard error; where `scale_error` is known, of what that does not hold."""
    fall_most: float | None = None
    """95 % upper bound of what may still fall."""
    final_expected: float | None = None
    final_error: float | None = None
    abv: float | None = None
    """% by volume; None: not known."""
    scale_error: float | None = None
    """Where one hydrometer told gravity and end: the standard error that both share. It is in neither of the others."""
    fell: float = 0.0
    """By how much it fell since it was closed."""


@dataclass(frozen=True, slots=True)
class Closing:
    """How it is, or would be, closed: litres, Cel, bar above the air outside."""

    litres: float
    headspace_l: float
    sealed_at_c: float
    stored_at_c: float
    material: Material = "glass"
    rated_bar: float | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One of the three, with why."""

    name: str
    so: bool
    why: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether it may be closed, with everything that a person must read. Pressures in bar above the air outside."""

    safe: bool
    checks: tuple[Check, ...]
    pressure_bar: float | None
    pressure_range: tuple[float, float] | None
    warming_bar: float | None
    """Of `pressure_bar`, what comes by warming alone."""
    rating: str
    warnings: tuple[str, ...]

    def reasons(self) -> tuple[str, ...]:
        """Why it is not safe."""
        return tuple(check.why for check in self.checks if not check.so)


def judge(facts: Facts, closing: Closing) -> Judgement:
    """Judge it by what is known; ValueError where `sealing.seal` refuses the figures."""
    rating, holds = _rating(closing)
    checks = [_finished(facts), _fall(facts)]
    found = _pressure(facts, closing)
    if found is None:
        checks.append(Check("pressure", so=False, why="its gravity is not known, so the pressure is not either"))
        return Judgement(
            safe=False, checks=tuple(checks), pressure_bar=None, pressure_range=None, warming_bar=None,
            rating=rating, warnings=_warnings(closing, None, (), facts, safe=False),
        )  # fmt: skip
    high, gas = found
    checks.append(_matters(gas, high, closing, holds))
    safe = all(check.so for check in checks)
    return Judgement(
        safe=safe,
        checks=tuple(checks),
        pressure_bar=gas.pressure_bar_gauge,
        pressure_range=(gas.pressure_low_bar, high),
        warming_bar=gas.warming_only_bar,
        rating=rating,
        warnings=_warnings(closing, high, gas.cautions, facts, safe=safe),
    )


def same_scale_fall(hand: float, forced: float) -> float:
    """95 % upper bound of what may still fall, by one hydrometer: read in the batch, and in a sample fermented out.

    Both SG, corrected for temperature. The scale's own error cancels; what is left is that of two readings.
    """
    return max(0.0, hand - forced) + Z_95 * math.sqrt(2.0) * SAME_SCALE_SD


def _finished(facts: Facts) -> Check:
    name = "finished"
    if facts.verdict == "finished":
        return Check(name, so=True, why="its verdict is finished")
    if facts.verdict in (None, "unknown"):
        return Check(name, so=False, why="whether it has finished is not known")
    return Check(name, so=False, why=f"its verdict is {facts.verdict}, not finished")


def _fall(facts: Facts) -> Check:
    """What is left by the likely end, and the 95 % upper bound that decides: two figures, each by its name."""
    name = "nothing left to fall"
    most = facts.fall_most
    if facts.gravity is None or most is None:
        return Check(name, so=False, why="how far its gravity may still fall is not known")
    if facts.fell:
        return Check(
            name, so=False,
            why=f"it has fallen by {facts.fell:.4f} since it was closed, and with 95 % it falls by no more than "
            f"{most:.4f} in all",
        )  # fmt: skip
    bound = f"with 95 % it falls by no more than {most:.4f}" + (
        ", by one hydrometer in it and in the sample" if facts.scale_error is not None else ""
    )
    left = _likely_fall(facts)
    if left is None:
        words = bound
    elif left < 0.00005:
        words = f"it is most likely at its end, and {bound}"
    elif left <= most:
        words = f"it most likely ends {left:.4f} below where it is, and {bound}"
    else:
        words = (
            f"by what was seen of it {bound}, but by what was expected of its end that would be {left:.4f}, and the "
            "pressure is reckoned with that"
        )
    if most <= FALL_MOST:
        return Check(name, so=True, why=words)
    return Check(
        name, so=False,
        why=f"{words}; {FALL_MOST:g} is the most that is safe, for that alone makes over half a bar in a vessel that "
        "is nearly full",
    )  # fmt: skip


def _likely_fall(facts: Facts) -> float | None:
    """From where it is to its likely end; None where either is not known."""
    if facts.gravity is None or facts.final_expected is None:
        return None
    return max(0.0, facts.gravity - facts.final_expected)


def _pressure(facts: Facts, closing: Closing) -> tuple[float, sealing.Sealed] | None:
    """The highest pressure to expect, and what the science says of the likely case."""
    if facts.gravity is None:
        return None
    final = facts.final_expected if facts.final_expected is not None else DRY
    final = min(final, facts.gravity)
    gas = sealing.seal(
        facts.gravity, final, closing.litres, closing.headspace_l, closing.sealed_at_c, closing.stored_at_c,
        abv=facts.abv,
        gravity_error=facts.gravity_error if facts.gravity_error is not None else 0.001,
        final_error=facts.final_error if facts.final_error is not None else 0.001,
        shared_error=facts.scale_error or 0.0,
    )  # fmt: skip
    worst = gas.pressure_high_bar
    if facts.fall_most is not None:
        end = sealing.pressure(
            facts.gravity, max(0.96, facts.gravity - facts.fall_most), closing.litres, closing.headspace_l,
            closing.sealed_at_c, closing.stored_at_c, abv=facts.abv,
        )  # fmt: skip
        worst = max(worst, end)
    return worst, gas


def _matters(gas: sealing.Sealed, high: float, closing: Closing, holds: float) -> Check:
    name = "no pressure that matters"
    likely = (
        f"most likely {max(gas.pressure_bar_gauge, 0.0):.1f} bar above the air outside at {closing.stored_at_c:g} °C"
    )
    most = f"{likely}, and {max(high, 0.0):.1f} at the most"
    if high <= holds:
        return Check(name, so=True, why=f"{most}: no more than it bears")
    if closing.rated_bar is not None:
        return Check(name, so=False, why=f"{most}: more than the {closing.rated_bar:g} bar it is rated for")
    return Check(name, so=False, why=f"{most}, in a vessel that is rated for none")


def _rating(closing: Closing) -> tuple[str, float]:
    """What the vessel bears, in words and in bar."""
    if closing.rated_bar is None:
        return f"{closing.material}, not rated for pressure", sealing.MATTERS_BAR
    return f"{closing.material}, rated for {closing.rated_bar:g} bar by its maker, as you say", closing.rated_bar


def _warnings(
    closing: Closing, high: float | None, said: tuple[str, ...], facts: Facts, *, safe: bool
) -> tuple[str, ...]:
    """Never silent, not even where it is safe. What the science says of the vessel is said here by its own rating."""
    found = []
    if not safe:
        most = "" if high is None or high <= 0.0 else f": up to {high:.1f} bar above the air outside may come"
        found.append(f"Do not close it tight{most}. Keep the lid loose, or an airlock on.")
        found.append(f"If it is closed already: {RELEASE}.")
    if high is not None and facts.final_expected is None:
        found.append(f"Where it ends is not known: it is reckoned down to {DRY:.3f}, as a dry sugar wash.")
    if any(each.startswith("At ") for each in said):  # how far, the check has said
        found.append("That much sugar is enough to make the gas. A gravity of 1.000 is not the end of a sugar wash.")
    found += [each for each in said if not each.startswith(("Do not close it", "Keep the lid loose", "At "))]
    if closing.material == "glass" and closing.rated_bar is None:
        found.append(f"{GLASS[0].upper()}{GLASS[1:]}.")
    if safe:
        found.append("A rating holds for a vessel without scratches and chips, and for its cap; look again in a week.")
    return tuple(found)


# --- what was closed ---------------------------------------------------------------------------------------------


def closed(record: Iterable[JournalEntry]) -> tuple[SealedUp, ...]:
    """What of a batch was closed and not opened since: it may stand in several vessels."""
    found: list[SealedUp] = []
    for entry in counting(record):
        if isinstance(entry, SealedUp):
            found.append(entry)
        elif isinstance(entry, Unsealed) or (isinstance(entry, Merged) and found and found[0].batch == entry.batch):
            found = []  # what was poured away had to be opened
    return tuple(found)


def closing_of(entry: SealedUp) -> Closing:
    """How it was closed."""
    return Closing(
        entry.litres, entry.headspace_l, entry.sealed_at_c, entry.stored_at_c, entry.material, entry.rated_bar
    )


def since_closed(entry: SealedUp, now: Facts) -> Facts:
    """What is known of it now: what was known when it was closed holds until it falls further or its verdict leaves.

    What one hydrometer says by now (`now.scale_error` is known) may know better than what was known then.
    """
    if entry.gravity is None:
        return now
    fell = entry.gravity - now.gravity if now.gravity is not None else 0.0
    abv = entry.abv if entry.abv is not None else now.abv
    if now.gravity is not None and fell >= FELL:
        # The gas of that fall is in there.
        end = None if now.final_expected is None else min(now.final_expected, now.gravity)
        most = None if now.fall_most is None else now.fall_most + fell
        return replace(now, gravity=entry.gravity, final_expected=end, fall_most=most, fell=fell, abv=abv)
    bounds = [entry.fall_most] if entry.fall_most is not None else []
    if now.scale_error is not None and now.fall_most is not None:
        bounds.append(now.fall_most)
    error, shared = entry.gravity_error, entry.scale_error
    if error is not None and shared is not None and now.scale_error is None:
        error, shared = math.hypot(error, shared), None  # the sample by which its end was known was taken back
    return replace(
        now,
        gravity=entry.gravity,
        gravity_error=error if error is not None else now.gravity_error,
        final_error=entry.final_error if entry.final_error is not None else now.final_error,
        fall_most=min(bounds, default=now.fall_most),
        abv=abv,
        scale_error=shared if error is not None else now.scale_error,
    )
