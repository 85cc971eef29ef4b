"""Where a batch should end, by everything that is known of it beforehand.

Told by its maker; shown by a small sample that was kept warm until it stopped (a forced ferment: common practice);
what the same recipe and yeast did before; and what is usual for its kind of wash. Each comes with its own
uncertainty. Those that agree are put together by precision; those that do not make the answer wider, never narrower.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

KEPT = 60  # past batches
TOLD_SD = 0.003  # SG: of a final gravity that was set without an error
FORCED_SD = 0.001  # SG: how a warm, shaken sample differs from its batch (common practice, no source)
LEAST_SD = 0.001  # SG: no batch is known better than this beforehand, but by what its maker told
AGREE = 2.5  # standard deviations of their difference
DRIEST = 0.985  # SG: of a sugar wash without a residue (common practice, no source)

# Apparent attenuation, mean and standard deviation, by what went in (common practice, no source): all-malt and
# grain washes leave dextrins, sugar ferments out and ends below water.
ATTENUATION = {"sugar": (1.10, 0.03), "mixed": (0.92, 0.08), "grain": (0.75, 0.05)}
UNKNOWN = (0.85, 0.13)

# By how much the attenuation of like batches scatters, before any was seen; it counts for two batches.
USUAL_SCATTER, USUAL_WORTH = 0.03, 2
# What is added where only part of it is the same.
OTHER_YEAST_SD, OTHER_RECIPE_SD, ONLY_YEAST_SD, ONLY_KIND_SD = 0.03, 0.04, 0.06, 0.06
# Student's t that 95 % lie below, by degrees of freedom from 2.
_T95 = (2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812)
_Z95 = 1.645


@dataclass(frozen=True, slots=True)
class Past:
    """How a batch ended."""

    batch: str
    recipe: str | None
    yeast: str | None
    fermentables: str | None
    original: float
    final: float
    how: str
    closed_ms: int

    def attenuation(self) -> float:
        """Apparent attenuation, a share: 1 for a batch that ended as water."""
        return (self.original - self.final) / (self.original - 1.0)


@dataclass(frozen=True, slots=True)
class Final:
    """Where a batch should end: mean and standard deviation (SG), whether a person or a sample told it, and how."""

    final: float
    sd: float
    told: bool
    source: str


# --- past batches ------------------------------------------------------------------------------------------------


def remember(finals: Sequence[Past], past: Past) -> list[Past]:
    """The list with one more; the oldest goes. One whose figures cannot be is not taken."""
    if not (past.original > 1.005 and 0.3 <= past.attenuation() <= 1.4):
        return list(finals)
    return [*(each for each in finals if each.batch != past.batch), past][-KEPT:]


def like(
    finals: Sequence[Past], recipe: str | None, yeast: str | None, fermentables: str | None
) -> tuple[float, float, str] | None:
    """Apparent attenuation to expect (mean, sd) from the past batches most like this one, and which they were.

    The scatter is that of the batches and of a prior worth two; the sd is that of a normal whose 90 % range is as
    wide as Student's for one more batch (normal with unknown mean and variance; textbook).
    """
    kinds = (
        (recipe and yeast, lambda past: (past.recipe, past.yeast) == (recipe, yeast), 0.0, "same recipe and yeast"),
        (recipe, lambda past: past.recipe == recipe, OTHER_YEAST_SD, "same recipe"),
        (
            yeast and fermentables, lambda past: (past.yeast, past.fermentables) == (yeast, fermentables),
            OTHER_RECIPE_SD, f"same yeast in a {fermentables} wash",
        ),
        (yeast, lambda past: past.yeast == yeast, ONLY_YEAST_SD, "same yeast"),
        (fermentables, lambda past: past.fermentables == fermentables, ONLY_KIND_SD, f"{fermentables} washes"),
    )  # fmt: skip
    for known, same, more_sd, words in kinds:
        seen = [past.attenuation() for past in finals if known and same(past)]
        if seen:
            mean, sd = predict(seen)
            batches = "one batch" if len(seen) == 1 else f"{len(seen)} batches"
            return mean, math.hypot(sd, more_sd), f"what {batches} before it did ({words})"
    return None


def predict(seen: Sequence[float]) -> tuple[float, float]:
    """Mean, and the sd for one more, of one or more values."""
    count = len(seen)
    mean = sum(seen) / count
    freedom = USUAL_WORTH + count - 1
    squares = USUAL_WORTH * USUAL_SCATTER**2 + sum((each - mean) ** 2 for each in seen)
    scale = math.sqrt(squares / freedom * (1.0 + 1.0 / count))
    return mean, scale * student95(freedom) / _Z95


def student95(freedom: int) -> float:
    """Student's t that 95 % lie below; 2 degrees of freedom or more (a table, beyond it an expansion, textbook)."""
    if freedom - 2 < len(_T95):
        return _T95[freedom - 2]
    first, second = _Z95**3 + _Z95, 5.0 * _Z95**5 + 16.0 * _Z95**3 + 3.0 * _Z95
    return _Z95 + first / (4.0 * freedom) + second / (96.0 * freedom**2)


# --- all together ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Kind:
    """What is usual where nobody knows better: apparent attenuation (a share) with its sd, and of what."""

    attenuation: float
    sd: float
    words: str


def kind_of(fermentables: str | None, mix: tuple[float, float] | None) -> Kind:
    """By its ingredients where they are known (attenuation and sd of their forecast), else by its kind of wash."""
    if mix is not None:
        return Kind(mix[0], max(USUAL_SCATTER, mix[1]), "what its ingredients should give")
    mean, sd = ATTENUATION.get(fermentables or "", UNKNOWN)
    return Kind(mean, sd, f"usual for a {fermentables} wash" if fermentables else "")


def usual(original: float, kind: Kind) -> tuple[float, float]:
    """Final gravity and sd of a kind. Original above 1.000."""
    return _at(original, kind.attenuation), max(0.002, (original - 1.0) * kind.sd)


def expected_final(
    original: float | None,
    told: tuple[float, float | None] | None,
    forced: tuple[float, float, int] | None,
    past: tuple[float, float, str] | None,
    fermentables: str | None,
    *,
    mix: tuple[float, float] | None = None,
    original_sd: float = 0.0,
) -> Final | None:
    """Where it should end; None where nothing is known, not even its original gravity.

    `told` is what its maker set, with its sd if that was set too; `forced` as in `BatchState`; `past` as by `like`;
    `mix` the apparent attenuation that its ingredients should give, with its sd; `original_sd` the error of the
    original gravity (SG) where that is a guess.
    """
    sources: list[tuple[float, float, str]] = []
    if told is not None:
        sources.append((told[0], told[1] if told[1] is not None else TOLD_SD, "as you set it"))
    if forced is not None:
        sources.append((forced[0], math.hypot(forced[1], FORCED_SD), "by the sample that was fermented out"))
    started = original is not None and original > 1.0
    if past is not None and started:
        assert original is not None
        mean, sd, words = past
        spread = math.hypot((original - 1.0) * sd, original_sd * (1.0 - mean))
        sources.append((_at(original, mean), max(LEAST_SD, spread), f"by {words}"))
    by_person = told is not None or forced is not None
    kind = kind_of(fermentables, mix)
    if sources:
        found = _together(sources)
        if by_person or original is None or not started:
            return Final(found[0], found[1], told=by_person, source=found[2])
        return _beside_the_usual(found, original, kind)
    if original is None or not started:
        return None
    final, sd = usual(original, kind)
    words = kind.words or "a wide guess: nothing is known of it"
    if original_sd and mix is None:
        words += ", if it began at a usual gravity" if kind.words else ", nor its original gravity"
    return Final(final, math.hypot(sd, original_sd * (1.0 - kind.attenuation)), told=False, source=words)


def _at(original: float, attenuation: float) -> float:
    """The final gravity of an attenuation: a dry sugar wash ends below water, but not below 0.985."""
    return max(DRIEST, original - attenuation * (original - 1.0))


def _beside_the_usual(found: tuple[float, float, str], original: float, kind: Kind) -> Final:
    """Past batches say more than their kind; what is usual for it helps where it agrees, and else makes it wider."""
    final, sd, words = found
    usually, kind_sd = usual(original, kind)
    if abs(final - usually) > AGREE * math.hypot(sd, kind_sd):
        return Final(final, 1.5 * sd, told=False, source=f"{words}, though its kind usually ends at {usually:.3f}")
    mean, spread = _by_precision([(final, sd), (usually, kind_sd)])
    also = f" and by {kind.words}".replace("by usual", "by what is usual") if kind.words else ""
    return Final(mean, spread, told=False, source=words + also)


def _together(sources: list[tuple[float, float, str]]) -> tuple[float, float, str]:
    """By precision where all agree; else as one of them, not knowing which."""
    if len(sources) == 1:
        return sources[0]
    words = " and ".join(each for _, _, each in sources)
    pairs = [(mean, sd) for mean, sd, _ in sources]
    apart = max(abs(a - b) / math.hypot(s, t) for a, s in pairs for b, t in pairs)
    if apart <= AGREE:
        return (*_by_precision(pairs), words)
    mean = sum(each for each, _ in pairs) / len(pairs)
    spread = math.sqrt(sum(sd**2 + (each - mean) ** 2 for each, sd in pairs) / len(pairs))
    figures = ", ".join(f"{each:.3f}" for each, _ in pairs)
    return mean, spread, f"{words}, which do not agree ({figures})"


def _by_precision(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    weights = [1.0 / sd**2 for _, sd in pairs]
    total = sum(weights)
    return sum(w * mean for w, (mean, _) in zip(weights, pairs, strict=True)) / total, 1.0 / math.sqrt(total)
