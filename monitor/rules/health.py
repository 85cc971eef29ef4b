"""Probe truth: silent, stuck, implausible, being moved. Words of NAMUR NE 107.

A stuck probe cannot be told from a plateau by its gravity alone: a healthy one that resolves 0.001 repeats itself
for hours. The pair of gravity and temperature hardly ever does, so that pair is watched (DEVELOPERS.md, detection).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.findings import Finding
from monitor.model.status import Health
from monitor.rules.battery import Battery
from monitor.rules.clockwork import ProbeClock
from monitor.rules.fouling import Course
from monitor.rules.noise import Noise

GAPS_KEPT = 15
FORGET = 0.98  # of what it repeated, a reading: some fifty count
REST_MOST = 11 * HOUR  # a longer one is learned only if it ends by the smallest step
RESTS = 0.3
TREMBLES = 0.15  # of its changes take back the one before; white noise makes two of three
SILENT_LEAST = HOUR
SILENT_MOST = 24 * HOUR
STEADY_READINGS = 3
GRAVITY_LIKE = ("gravity", "float_angle", "extract")
PAIRED = (*GRAVITY_LIKE, "temperature")
# Quantities whose silence matters: a flat battery is seen by what it stops, a contact only speaks when it moves.
WATCHED = (*GRAVITY_LIKE, "temperature", "pressure", "mass", "turbidity")


@dataclass(slots=True)
class SeriesHealth:
    """What is known of one quantity of one probe."""

    first_ms: int = 0
    measured_ms: int = 0
    received_ms: int = 0
    value: float = 0.0
    gaps: list[int] = field(default_factory=list)
    run: int = 0  # equal values in a row
    run_since_ms: int = 0
    longest_ms: int = 0  # longest healthy run
    least: float = 0.0  # smallest change seen: the step in which it speaks
    turns: float = 0.0  # changes among the latest `told` readings, both slowly forgotten
    told: float = 0.0
    flips: float = 0.5  # share of the latest changes that took back the one before
    up: bool = False
    noise: Noise = field(default_factory=Noise)
    spoilt: int = 0  # implausible values in a row

    def interval_ms(self) -> int:
        """The usual time between readings; a minute until known."""
        ordered = sorted(self.gaps)
        return ordered[len(ordered) // 2] if ordered else MINUTE

    def run_ms(self) -> int:
        """How long the value has not moved, by measured time."""
        return self.measured_ms - self.run_since_ms

    def take(self, measured_ms: int, received_ms: int, value: float, *, healthy: bool = True) -> None:
        """Learn from a reading; one that comes late teaches only that the probe lives.

        `healthy`: the rest that it ends, if it does, was not that of a stuck probe.
        """
        if self.run == 0:
            self.first_ms = measured_ms
        self.received_ms = received_ms
        if self.run and measured_ms <= self.measured_ms:
            return
        if self.run:
            self.gaps.append(measured_ms - self.measured_ms)
            if len(self.gaps) > GAPS_KEPT:
                del self.gaps[0]
        if self.run and value == self.value:
            self.run += 1
        else:
            if self.run:
                self._moved(value - self.value, healthy=healthy)
            self.run, self.run_since_ms = 1, measured_ms
        self.measured_ms, self.value = measured_ms, value
        self.noise.take(measured_ms, value, self.least)

    def _moved(self, by: float, *, healthy: bool) -> None:
        change = abs(by)
        if change < self.least or self.least == 0.0:
            self.least = change
        if not healthy:
            return
        keep = FORGET**self.run
        self.told, self.turns = self.told * keep + self.run, self.turns * keep + 1.0
        up = by > 0
        self.flips += 0.08 * ((up is not self.up) - self.flips)
        self.up = up
        rested = self.measured_ms - self.run_since_ms
        if rested > self.longest_ms and (rested < REST_MOST or self.small(change)):
            self.longest_ms = min(rested, DAY)

    def repeats(self, rested: int = 0) -> float:
        """How likely it is to repeat itself, by its latest changes; on the safe side while it is little known.

        `rested`: how many readings it had already repeated when the rest in question began.
        """
        return (self.told + rested - self.turns + 2.0) / (self.told + rested + 2.5)

    def lively(self) -> bool:
        """Whether a rest of it proves anything: it moves to and fro, as noise makes it, or hardly ever rests.

        The rest of one that only ever steps one way now and then is what a plateau looks like.
        """
        return self.flips > TREMBLES or self.repeats() < RESTS

    def small(self, change: float) -> bool:
        """Whether a change is the smallest it can say: so moves a probe that only stood still."""
        return change <= 1.5 * self.least


@dataclass(slots=True)
class ProbeHealth:
    """What is known of one probe; `series` by quantity."""

    series: dict[str, SeriesHealth] = field(default_factory=dict)
    stuck_since_ms: int | None = None
    silent: bool = False
    back_ms: int = 0  # when it was last heard again
    online: bool | None = None
    moved_ms: int | None = None  # in function check until steady
    steady: list[float] = field(default_factory=list)
    longest_pair_ms: int = 0
    battery: Battery = field(default_factory=Battery)
    clock: ProbeClock = field(default_factory=ProbeClock)
    course: Course = field(default_factory=Course)
    removed: bool = False  # taken out of every place, and still speaking
    no_gravity: int = 0  # readings in a row that mean no gravity a wash can have
    jump: tuple[int, float] | None = None  # a step in gravity that nobody announced: since when, and by how much
    dry: str = ""  # signs that it is out of the liquid

    def status(self) -> tuple[Health, str]:
        """NE 107 status, and why in a few words."""
        if self.stuck_since_ms is not None:
            return Health.FAILURE, "stuck: the same values again and again"
        if self.silent:
            return Health.FAILURE, "silent"
        if self.moved_ms is not None:
            return Health.FUNCTION_CHECK, "just moved; waiting for three steady readings"
        if self.removed:
            return Health.FUNCTION_CHECK, "taken out: what it says is not used"
        return self._out_of_specification() or self._maintenance() or (Health.GOOD, "")

    def _out_of_specification(self) -> tuple[Health, str] | None:
        dry = f"; {self.dry}" if self.dry else ""
        if any(each.spoilt >= STEADY_READINGS for each in self.series.values()):
            return Health.OUT_OF_SPECIFICATION, f"values that cannot be right{dry}"
        if self.no_gravity >= STEADY_READINGS:
            return Health.OUT_OF_SPECIFICATION, f"what it says means no gravity a wash can have: on its side?{dry}"
        if self.jump is not None:
            words = f"its gravity jumped by {self.jump[1]:+.3f} and nobody said why"
            return Health.OUT_OF_SPECIFICATION, f"{words}{dry}"
        return None

    def _maintenance(self) -> tuple[Health, str] | None:
        if self.battery.is_low():
            return Health.MAINTENANCE_REQUIRED, "battery low"
        clock = self.clock.trouble()
        if clock is not None:
            return Health.MAINTENANCE_REQUIRED, clock
        if self.course.fouled_ms is not None:
            words = "it rose and trembles unlike itself: foam or yeast on it? Swirl or rinse it"
            return Health.MAINTENANCE_REQUIRED, words
        for name, each in self.series.items():
            if name in PAIRED and each.noise.noisy(each.measured_ms):
                words = (
                    f"its {name.replace('_', ' ')} is about {each.noise.times():.0f} times as noisy as it used to be"
                )
                return Health.MAINTENANCE_REQUIRED, words
        return None

    def implausible(self) -> bool:
        """Whether what it says cannot be right, or means no gravity a wash can have, three times in a row."""
        values = self.series.values()
        return self.no_gravity >= STEADY_READINGS or any(each.spoilt >= STEADY_READINGS for each in values)

    def lead(self) -> str | None:
        """The quantity that tells gravity; None where it has none."""
        for name in GRAVITY_LIKE:
            if name in self.series:
                return name
        return None

    def trusted(self) -> bool:
        """Whether its readings may carry a verdict."""
        return self.status()[0] not in (Health.FAILURE, Health.FUNCTION_CHECK)


def settle(probe: ProbeHealth, quantity: str, value: float) -> bool:
    """Count steady readings after a move; True when this reading may be filed."""
    if probe.moved_ms is None:
        return True
    lead = next((each for each in (*GRAVITY_LIKE, "temperature") if each in probe.series), quantity)
    if quantity != lead:
        return False
    near = {"gravity": 0.003, "float_angle": 1.0, "extract": 0.8}.get(quantity, 0.5)
    kept = [each for each in probe.steady if abs(each - value) <= near]
    probe.steady = [*kept, value][-STEADY_READINGS:]
    if len(probe.steady) >= STEADY_READINGS:
        probe.moved_ms, probe.steady = None, []
    return probe.moved_ms is None


def silence(probe: ProbeHealth, now_ms: int, watched_from_ms: int) -> list[tuple[str, int]]:
    """Quantities that have been silent for too long while we watched, with since when."""
    quiet = []
    for quantity, series in probe.series.items():
        if quantity not in WATCHED:
            continue
        patience = min(max(3 * series.interval_ms(), SILENT_LEAST), SILENT_MOST)
        if now_ms - max(series.received_ms, watched_from_ms) >= patience:
            quiet.append((quantity, series.received_ms))
    return quiet


def span_words(ms: int) -> str:
    """A span of time as people say it."""
    minutes = round(ms / MINUTE)
    if minutes < 120:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{round(minutes / 60)} h"
    return f"{minutes / 1440:.1f} days"


def silent_finding(name: str, quiet: list[tuple[str, int]], alive: int, now_ms: int, seen_ms: int | None) -> Finding:
    """The alert that a probe went silent."""
    names = sorted(quantity.replace("_", " ") for quantity, _ in quiet)
    since = span_words(now_ms - max(since for _, since in quiet))
    by_hand = any(quantity in GRAVITY_LIKE for quantity, _ in quiet)
    return Finding(
        alert="probe-silent",
        about=f"probe:{name}",
        active=True,
        message=f"Probe {name} has sent no {' or '.join(names)} for {since}. What it watches is unknown until it does.",
        because=(
            f"the last {' and '.join(names)} came {since} ago",
            "its other values still come" if alive else "nothing else comes from it either",
        ),
        do=(
            "check its battery and cable, and whether its radio or the broker is reachable",
            *(["or take a hydrometer reading by hand"] if by_hand else []),
        ),
        seen_ms=seen_ms,
    )


def heard_finding(name: str, seen_ms: int) -> Finding:
    """It speaks again."""
    return Finding(
        "probe-silent", f"probe:{name}", active=False, message=f"Probe {name} is heard again.", seen_ms=seen_ms
    )
