"""How strong a batch is, and where ice may begin in what stands in the cold: known in one place."""

from __future__ import annotations

from functools import lru_cache

from monitor.engine.state import State
from monitor.rules.batch import BatchState
from monitor.science import alcohol
from monitor.science.freezing import freezing

READING_ERROR = 0.001  # SG: of an original gravity that was read


def strength(state: State, batch: BatchState) -> tuple[float, float] | None:
    """Alcohol of a batch now, % by volume, and the lower end of its range; None where it is not known."""
    if batch.thinned:
        return None
    if batch.original is not None and batch.last_gravity is not None:
        return _by_gravities(
            batch.original, min(batch.last_gravity, batch.original), batch.forecast_sd or READING_ERROR
        )
    return as_set(state, batch.vessel)


@lru_cache(1024)  # asked each minute of what stands closed, where neither gravity has changed for months
def _by_gravities(original: float, gravity: float, error: float) -> tuple[float, float] | None:
    try:
        found = alcohol.alcohol(original, gravity, og_error=error)
    except ValueError:
        return None
    return found.abv, max(0.0, found.abv_low)


def as_set(state: State, vessel: str) -> tuple[float, float] | None:
    """Alcohol of what is in a vessel as its settings tell, and the lower end of it."""
    told = state.vessel(vessel)
    return None if told is None or told.abv is None else (told.abv, at_least(told.abv))


def at_least(abv: float) -> float:
    """The lower end of a strength that a person told, % by volume."""
    return max(0.0, 0.95 * abv - 0.2)


def begins(state: State, vessel: str, batch: BatchState | None) -> tuple[float, str]:
    """Where ice may begin in a vessel, Cel: by the lower end of its strength, else as in water; and how it is known."""
    found = strength(state, batch) if batch is not None else as_set(state, vessel)
    if found is not None:
        own = batch is not None and batch.original is not None and batch.last_gravity is not None
        known = f"batch {batch.name} has about {found[0]:.1f}" if own and batch is not None else ""
        words = f"{known} % alcohol" if known else f"it holds {found[0]:g} % alcohol, as you set it"
        return freezing(min(found[1], 80.0)).high_c, words
    if batch is None:
        return 0.0, "what is in it is not known, so it is taken for water"
    if batch.thinned:
        return 0.0, f"batch {batch.name} was thinned, so it is taken for water"
    return 0.0, f"the strength of batch {batch.name} is not known, so it is taken for water"
