"""Where a batch's yeast came from, back to the packet, and where it went, in words."""

from __future__ import annotations

from monitor.batches.life import Life
from monitor.batches.record import counting
from monitor.engine.lives import start_of
from monitor.engine.state import State
from monitor.model.deeds import Harvested, Jarred
from monitor.report.words import Site, listed, sentence

DEEP = 12  # generations followed; yeast is thrown out long before (common practice, no source)


def yeast_of(state: State, life: Life, site: Site) -> list[str]:
    """Its yeast, the jars it was pitched from with their ancestry, and what became of its lees."""
    name = life.start.yeast if life.start is not None else None
    told = [f"yeast {name}"] if name else []
    told += [_pitched(state, jar, site) for jar in life.jars]
    told += [_kept(state, harvest, site) for harvest in life.harvests]
    return [sentence(each) for each in told]


def _jar(state: State, jar: str) -> Jarred | None:
    record = counting(state.records.get(f"jar:{jar}", ()))
    return next((each for each in record if isinstance(each, Jarred) and each.jar == jar), None)


def _pitched(state: State, name: str, site: Site) -> str:
    jar = _jar(state, name)
    if jar is None:
        return f"pitched from jar {name}"
    told = f"pitched from jar {name}: {jar.strain}, generation {jar.generation}, put up on {site.day(jar.at)}"
    line = ancestry(state, name)
    return f"{told}; {line}" if line else told


def ancestry(state: State, name: str) -> str:
    """`washed from amber-1, pitched from jar first, a packet`: back to where it first came from."""
    steps: list[str] = []
    seen: set[str] = set()
    jar = _jar(state, name)
    while jar is not None and jar.jar not in seen and len(seen) < DEEP:
        seen.add(jar.jar)
        batch = _washed_from(state, jar)
        if batch is not None:
            steps.append(f"washed from {batch}")
            before = start_of(state, batch)
            parents = list(before.jars) if before is not None else []
        else:
            steps.append(
                {"packet": "a packet", "given": "given by someone", "starter": "grown in a starter"}.get(
                    jar.origin, "from a wash"
                )
            )
            parents = list(jar.parents)
        if parents:
            steps.append(f"from {'jar' if len(parents) == 1 else 'jars'} {listed(parents)}")
        jar = _jar(state, parents[0]) if parents else None
    return ", ".join(steps)


def _washed_from(state: State, jar: Jarred) -> str | None:
    """The batch whose lees a jar holds."""
    record = counting(state.records.get(f"wash:{jar.wash}", ())) if jar.wash else []
    return next((each.batch for each in record if isinstance(each, Harvested)), None)


def _kept(state: State, harvest: Harvested, site: Site) -> str:
    jars = [each.jar for each in counting(state.records.get(f"wash:{harvest.wash}", ())) if isinstance(each, Jarred)]
    into = f", which filled {listed(list(dict.fromkeys(jars)))}" if jars else ""
    return (
        f"{harvest.volume_ml:g} mL of its lees were taken on {site.day(harvest.at)} to be washed as {harvest.wash} "
        f"({harvest.strain}, generation {harvest.generation}){into}"
    )
