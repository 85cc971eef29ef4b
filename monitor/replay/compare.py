"""How another run differs: what was told earlier, later, only here or only there; and which settings differ."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from monitor.model.clock import SECOND
from monitor.model.config import RuleSettings
from monitor.replay.course import JUDGED, Later, later
from monitor.replay.keys import MODELS, REMIND, is_span
from monitor.replay.replay import Replayed
from monitor.replay.told import Episode, Told
from monitor.rules.health import span_words

SAME_MS = 60_000
LISTS = ("probe", "vessel", "room", "fridge", "batch")

ORDER = ("verdict", "alert", "over", "reminders")  # at the same time

Way = Literal["earlier", "later", "only here", "only there", "more", "fewer"]


@dataclass(slots=True)
class Run:
    """One of the two: what it told, what it went through, and under which settings."""

    told: Told
    done: Replayed
    settings: RuleSettings

    def later(self, batch: str, at_ms: int) -> Later:
        """What the batch's own later course says of a `finished` or `stalled` told at a time."""
        vessel = next((each.vessel for each in self.settings.batch if each.name == batch), "")
        return later(self.told, batch, at_ms, self.done.breaks_of(batch, vessel))

    def proved_false(self, *verdicts: str) -> int:
        """How many of these verdicts the later course proved false."""
        return sum(
            self.later(batch, each.at_ms).outcome == "false"
            for batch, said in self.told.verdicts.items()
            for each in said
            if each.verdict in verdicts
        )


@dataclass(frozen=True, slots=True)
class Row:
    """One difference: UTC ms of `here` and `there` (None: never), or how many, where `kind` is reminders."""

    about: str
    kind: Literal["verdict", "alert", "over", "reminders"]
    said: str
    here: int | None
    there: int | None
    way: Way
    here_later: Later | None = None
    there_later: Later | None = None

    @property
    def words(self) -> str:
        """The difference in plain words."""
        if self.here is None or self.there is None:
            return self.way
        apart = abs(self.there - self.here)
        return f"{apart if self.kind == 'reminders' else span_words(apart)} {self.way} there"


def differences(here: Run, there: Run) -> list[Row]:
    """All that differs, in order of time; equal ones (to the minute) left out."""
    rows = [*_verdicts(here, there), *_alerts(here, there)]
    return sorted(rows, key=lambda row: (_first(row), row.about, ORDER.index(row.kind), row.said))


def _first(row: Row) -> int:
    return 1 << 62 if row.kind == "reminders" else min(at for at in (row.here, row.there) if at is not None)


def _verdicts(here: Run, there: Run) -> Iterator[Row]:
    keys = {
        (batch, each.verdict) for run in (here, there) for batch, said in run.told.verdicts.items() for each in said
    }
    for batch, verdict in keys:
        times = [
            [each.at_ms for each in run.told.verdicts.get(batch, ()) if each.verdict == verdict]
            for run in (here, there)
        ]
        for one, other in pairs(*times):
            way = _way(one, other)
            if way:
                proof = _proofs(here, there, batch, one, other) if verdict in JUDGED else (None, None)
                yield Row(f"batch:{batch}", "verdict", verdict, one, other, way, *proof)


def _alerts(here: Run, there: Run) -> Iterator[Row]:
    for about, alert in {*here.told.alerts, *there.told.alerts}:
        mine, theirs = (
            {each.raised_ms: each for each in run.told.alerts.get((about, alert), ())} for run in (here, there)
        )
        for one, other in pairs(list(mine), list(theirs)):
            way = _way(one, other)
            if way:
                batch = about.partition(":")[2]
                proof = _proofs(here, there, batch, one, other) if alert in JUDGED else (None, None)
                yield Row(about, "alert", alert, one, other, way, *proof)
            if one is not None and other is not None:
                yield from _over(about, alert, mine[one], theirs[other])
        mine_in_all, theirs_in_all = (sum(each.reminders for each in found.values()) for found in (mine, theirs))
        if mine_in_all != theirs_in_all:
            way = "more" if theirs_in_all > mine_in_all else "fewer"
            yield Row(about, "reminders", alert, mine_in_all, theirs_in_all, way)


def _over(about: str, alert: str, one: Episode, other: Episode) -> Iterator[Row]:
    """It was raised in both: whether it ended at the same time."""
    way = _way(one.returned_ms, other.returned_ms)
    if way:
        yield Row(about, "over", alert, one.returned_ms, other.returned_ms, way)


def _proofs(here: Run, there: Run, batch: str, one: int | None, other: int | None) -> tuple[Later | None, Later | None]:
    return (
        None if one is None else here.later(batch, one),
        None if other is None else there.later(batch, other),
    )


def _way(one: int | None, other: int | None) -> Way | None:
    if one is None or other is None:
        return None if one is other else "only there" if one is None else "only here"
    if abs(other - one) < SAME_MS:
        return None
    return "later" if other > one else "earlier"


# --- which belongs to which --------------------------------------------------------------------------------------


def pairs(here: Sequence[int], there: Sequence[int]) -> list[tuple[int | None, int | None]]:
    """Which of two rising rows of times belong together.

    Equal ones (to the minute) do; between them, as many as there can be, in order and the least apart in all.
    """
    found: list[tuple[int | None, int | None]] = []
    begun = [0, 0]
    one = other = 0
    while one < len(here) and other < len(there):
        if abs(here[one] - there[other]) < SAME_MS:
            found += _between(here[begun[0] : one], there[begun[1] : other])
            found.append((here[one], there[other]))
            one, other = one + 1, other + 1
            begun = [one, other]
        elif here[one] < there[other]:
            one += 1
        else:
            other += 1
    return [*found, *_between(here[begun[0] :], there[begun[1] :])]


def _between(here: Sequence[int], there: Sequence[int]) -> list[tuple[int | None, int | None]]:
    if len(here) > len(there):
        return [(one, other) for other, one in _between(there, here)]
    # cost[j] after i rounds: the first i of `here`, all paired, among the first j of `there`.
    cost: list[float] = [0.0] * (len(there) + 1)
    paired: list[list[bool]] = []
    for one in here:
        row, took = [float("inf")], [False]
        for column, other in enumerate(there):
            pair = cost[column] + abs(one - other)
            took.append(pair < row[column])
            row.append(min(pair, row[column]))
        cost = row
        paired.append(took)
    found: list[tuple[int | None, int | None]] = []
    line, column = len(here), len(there)
    while column:
        column -= 1
        if line and paired[line - 1][column + 1]:
            line -= 1
            found.append((here[line], there[column]))
        else:
            found.append((None, there[column]))
    return found[::-1]


# --- settings ----------------------------------------------------------------------------------------------------


def flat(settings: RuleSettings) -> dict[str, Any]:
    """Each setting that the rules see, by its path as in the file, with the names of the things in brackets."""
    found: dict[str, Any] = {"site.name": settings.site, REMIND: settings.remind_every}
    for section in LISTS:
        for item in getattr(settings, section):
            found |= {f"{section}[{item.name}].{key}": value for key, value in item.model_dump().items()}
            del found[f"{section}[{item.name}].name"]
    return found


def unlike(here: RuleSettings, there: RuleSettings) -> list[tuple[str, Any, Any]]:
    """Path, value here and value there of all that differs; a thing only one has stands there once, True and False."""
    one, other = flat(here), flat(there)
    rows: list[tuple[str, Any, Any]] = []
    for section in LISTS:
        mine, theirs = ([item.name for item in getattr(each, section)] for each in (here, there))
        rows += [
            (f"{section}[{name}]", name in mine, name in theirs)
            for name in dict.fromkeys([*mine, *theirs])
            if (name in mine) != (name in theirs)
        ]
    return rows + [(path, one[path], other[path]) for path in one if path in other and one[path] != other[path]]


def in_plain_words(path: str, value: Any, zone: ZoneInfo) -> str:
    """A setting's value as people read it."""
    section, _, name = path.partition("[")[0], *path.rpartition(".")[1:]
    if isinstance(value, bool):
        return "there" if value else "not there"
    if value is None:
        return "not set"
    if name == "pitched":
        return local(value, zone)
    if path == REMIND or (section in MODELS and name in MODELS[section].model_fields and _span(section, name)):
        return span_words(round(value * SECOND))
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value)) or "none"
    return str(value)


def _span(section: str, name: str) -> bool:
    return is_span(MODELS[section].model_fields[name])


def local(ms: int, zone: ZoneInfo) -> str:
    """`Mon 9 Mar 2026 04:10`, on the site's clock."""
    at = datetime.fromtimestamp(ms / SECOND, UTC).astimezone(zone)
    return f"{at:%a} {at.day} {at:%b %Y %H:%M}"
