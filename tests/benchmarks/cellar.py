"""What is told of a simulated batch, what its float probe says with all its faults, and what else could be heard.

`make(seed, family)` gives a whole trial; the same seed gives the same trial, whatever is asked of it. The faults of the
float: noise of 0.0003 to 0.002, half of the probes quantised at 0.001, bubbles, foam on the float in some, drift of up
to 0.002 a week (a wander of that size in some), an answer to temperature of up to 0.0003 a kelvin, missing bursts, and
in some backlogs that come hours late. Sizes are those of `detection` in DEVELOPERS.md; how often is a choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tests.benchmarks.kinetics import GRAMS_PER_POINT, SUGAR_SG
from tests.benchmarks.truth import FAMILIES, LITRES, LONGEST_H, Truth, simulate

DEVELOPMENT = 1_000_000  # seeds to develop on are this number and those that follow; never report on them
# Seeds to report on; never look at their trials one by one. Those from 5,000,000 on were reported once, and the window
# of the slope test was made longer after that: so they are used up.
REPORT = 7_000_000
MOST = 1_000_000  # how many seeds belong to a range

PITCHED_MS = 1_767_290_400_000  # 2026-01-01T18:00:00Z, a whole hour
HOUR_MS = 3_600_000
VESSEL, BATCH, FLOAT = "bucket", "trial", "float-a"


@dataclass(frozen=True, slots=True)
class Series:
    """What one probe said of one quantity, in the order in which it came."""

    probe: str
    quantity: str
    measured_ms: np.ndarray
    value: np.ndarray
    received_ms: np.ndarray


@dataclass(frozen=True, slots=True)
class Told:
    """What a person tells of the batch."""

    original: float  # a hydrometer reading at pitching: the truth to 0.001
    expected_final: float  # the truth and an error of standard deviation `expected_sd`
    expected_sd: float
    fermentables: str
    yeast_range_c: tuple[float, float]
    alcohol_limit: float
    final_known: float  # the same to ±0.0005: for the witness `final` only


@dataclass(slots=True)
class Trial:
    """One batch to judge: the truth, what is told, and what is said."""

    seed: int
    family: str
    truth: Truth
    told: Told
    float_probe: list[Series]
    faults: dict[str, float]
    witnesses: dict[str, list[Series]] = field(default_factory=dict)


def seed_of(seeds: str, index: int) -> int:
    """The seed of a trial of one range, `development` or `report`."""
    if not 0 <= index < MOST:
        raise ValueError("a range has a million seeds")
    return {"development": DEVELOPMENT, "report": REPORT}[seeds] + index


def make(seed: int, family: str | None = None) -> Trial:
    """The trial of a seed, of one of the families (drawn by their weights where none is named)."""
    drawn = np.random.default_rng([seed, 0])
    weights = np.array(list(FAMILIES.values()), dtype=float)
    name = str(drawn.choice(list(FAMILIES), p=weights / weights.sum()))
    name = family or name
    truth = simulate(np.random.default_rng([seed, 1]), name)
    told = _tell(np.random.default_rng([seed, 2]), truth)
    said, faults = _float(np.random.default_rng([seed, 3]), truth)
    trial = Trial(seed, name, truth, told, said, faults)
    for number, (witness, listen) in enumerate(WITNESSES.items()):
        trial.witnesses[witness] = listen(np.random.default_rng([seed, 4, number]), truth)
    return trial


def _tell(rng: np.random.Generator, truth: Truth) -> Told:
    attenuation = (truth.original - truth.final) / (truth.original - 1.0)
    sugar = truth.family in ("dry", "fed", "nitrogen")
    total = truth.original - 1.0 + sum(each.rise for each in truth.additions)
    strength = 131.0 * (total + 1.0 - truth.final)  # % by volume, the usual rule of thumb
    sd = 0.003
    return Told(
        original=round(truth.original + rng.normal(0.0, 0.0005), 3),
        expected_final=round(truth.final + rng.normal(0.0, sd), 4),
        expected_sd=sd,
        fermentables="sugar" if sugar else "mixed" if attenuation > 0.80 else "grain",
        yeast_range_c=(round(truth.set_c - rng.uniform(3.5, 6.0)), round(truth.set_c + rng.uniform(6.0, 11.0))),
        alcohol_limit=round(strength + rng.uniform(1.0, 6.0), 1),
        final_known=round(truth.final + rng.normal(0.0, 0.0005), 4),
    )


# --- the float ---------------------------------------------------------------------------------------------------


def _float(rng: np.random.Generator, truth: Truth) -> tuple[list[Series], dict[str, float]]:
    every = int(rng.choice((5, 10, 15)))
    at = np.arange(rng.uniform(0.0, every), truth.hours * 60.0 - 1.0, every) / 60.0  # hours after pitching
    at = at + rng.uniform(0.0, 4.0, at.size) / 3600.0
    noise = math.exp(rng.uniform(math.log(0.0003), math.log(0.002)))
    quantum = 0.001 if rng.random() < 0.5 else 0.0001
    drift, wanders = rng.uniform(-0.002, 0.002), rng.random() < 0.3
    answer = float(np.clip(rng.normal(0.0, 0.00015), -0.0003, 0.0003))
    activity = -np.gradient(truth.gravity)
    fastest = max(float(activity[: truth.hours].max()), 1e-9)
    value = truth_at(truth.gravity, at)
    liquid = truth_at(truth.liquid, at)
    value = value + answer * (liquid - truth.set_c) + _drift(rng, at, drift, wanders)
    foam = rng.uniform(0.001, 0.004) if rng.random() < 0.3 else 0.0
    if foam:
        value = value + foam * _hump(at, float(activity[: truth.hours].argmax()), rng.uniform(24.0, 60.0))
    value = value + rng.normal(0.0, noise, at.size)
    value = value + _bubbles(rng, np.clip(truth_at(activity, at) / fastest, 0.0, 1.0))
    value = np.round(np.round(value / quantum) * quantum, 4)
    fine = float(rng.choice((0.01, 0.0625)))
    warmth = np.round(np.round((liquid + rng.normal(0.0, 0.08, at.size)) / fine) * fine, 4)
    heard, received = _lost_and_late(rng, at, truth.hours)
    order = np.argsort(received[heard], kind="stable")
    measured_ms = PITCHED_MS + np.round(at[heard][order] * HOUR_MS).astype(np.int64)
    received_ms = PITCHED_MS + np.round(received[heard][order] * HOUR_MS).astype(np.int64)
    said = [
        Series(FLOAT, "gravity", measured_ms, value[heard][order], received_ms),
        Series(FLOAT, "temperature", measured_ms, warmth[heard][order], received_ms),
    ]
    faults = {"every_min": every, "noise": noise, "quantum": quantum, "drift": drift, "wanders": float(wanders),
              "answer": answer, "foam": foam}  # fmt: skip
    return said, faults


def truth_at(hourly: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Between the hours of a truth."""
    return np.interp(at, np.arange(hourly.size), hourly)


def _drift(rng: np.random.Generator, at: np.ndarray, per_week: float, wanders: bool) -> np.ndarray:
    if not wanders:
        return per_week * at / 168.0
    hours = np.arange(LONGEST_H + 1)
    walk = np.cumsum(rng.normal(0.0, abs(per_week) / math.sqrt(168.0), hours.size))
    return np.interp(at, hours, walk)


def _hump(at: np.ndarray, middle: float, width: float) -> np.ndarray:
    """Foam comes and goes around the fastest hour: 0 to 1 to 0."""
    inside = np.abs(at - middle) < width / 2.0
    return np.where(inside, np.cos(np.pi * np.clip((at - middle) / width, -0.5, 0.5)) ** 0.5, 0.0)


def _bubbles(rng: np.random.Generator, activity: np.ndarray) -> np.ndarray:
    """Bubbles under the float for one to three readings, with the activity and now and then without."""
    often = rng.uniform(0.002, 0.03)
    starts = rng.random(activity.size) < often * (0.1 + activity)
    size = np.where(starts, rng.exponential(0.004, activity.size) * rng.choice((-1.0, 1.0), p=(0.7, 0.3)), 0.0)
    out = np.zeros(activity.size)
    for i in np.flatnonzero(starts):
        out[i : i + int(rng.integers(1, 4))] += size[i]
    return out


def _lost_and_late(rng: np.random.Generator, at: np.ndarray, hours: int) -> tuple[np.ndarray, np.ndarray]:
    """Which readings are heard at all, and when (hours after pitching)."""
    heard = rng.random(at.size) > rng.choice((0.0, 0.01, 0.05))
    for _ in range(int(rng.poisson(1.5))):
        start, span = rng.uniform(0.0, hours), rng.uniform(1.0, 18.0)
        heard &= (at < start) | (at > start + span)
    received = at + 1.0 / 3600.0
    if rng.random() < 0.2:
        for _ in range(int(rng.integers(1, 4))):
            start, span = rng.uniform(0.0, hours), rng.uniform(2.0, 40.0)
            late = (at >= start) & (at < start + span)
            received[late] = np.maximum(received[late], start + span + 0.001 + at[late] * 1e-5)
    return heard, received


# --- other witnesses ---------------------------------------------------------------------------------------------


def _told(probe: str, quantity: str, at: np.ndarray, value: np.ndarray) -> Series:
    measured = PITCHED_MS + np.round(at * HOUR_MS).astype(np.int64)
    return Series(probe, quantity, measured, np.asarray(value, dtype=float), measured + 1500)


def _times(rng: np.random.Generator, truth: Truth, every_min: float) -> np.ndarray:
    return np.arange(rng.uniform(0.05, every_min), truth.hours * 60.0 - 2.0, every_min) / 60.0


def _ambient(rng: np.random.Generator, truth: Truth) -> list[Series]:
    """A thermometer in the air round the bucket, offset by up to 0.3 K: the liquid is warmer while it works."""
    at = _times(rng, truth, 15.0)
    value = truth_at(truth.air, at) + np.clip(rng.normal(0.0, 0.15), -0.3, 0.3) + rng.normal(0.0, 0.1, at.size)
    return [_told("air-a", "temperature", at, np.round(np.round(value / 0.0625) * 0.0625, 4))]


def gas(truth: Truth) -> np.ndarray:
    """g of CO2 an hour that leave the liquid.

    Balling: 0.463 g for each g of extract. The liquid first fills up to what it can hold (Henry's law, 1.7 g/L at
    20 °C and less by about 3 % a kelvin, from memory), and gives some back when it warms.
    """
    fell = np.clip(-np.diff(truth.gravity, prepend=truth.gravity[0]), 0.0, None)
    made = fell / 0.001 * GRAMS_PER_POINT * 0.463  # g/L
    holds = 1.7 * np.exp(-0.03 * (truth.liquid - 20.0))
    dissolved, out = 0.3, np.empty(fell.size)
    for i in range(fell.size):
        dissolved += made[i]
        out[i] = max(dissolved - holds[i], 0.0) * 0.3  # about three hours to come out
        dissolved -= out[i]
    return out * LITRES


def _co2(rng: np.random.Generator, truth: Truth) -> list[Series]:
    """Flow through the airlock: a lid leaks a part, the meter drifts and has a floor."""
    at = _times(rng, truth, 10.0)
    passes = rng.uniform(0.5, 1.0) * (1.0 + rng.uniform(-0.05, 0.05) * at / 168.0)
    flow = truth_at(gas(truth), at) / 60.0 / 1.84 * passes  # 1.84 g/L at 20 °C and one bar
    value = flow * (1.0 + rng.normal(0.0, 0.04, at.size)) + rng.normal(0.0, 0.0005, at.size)
    value = value + rng.uniform(-0.001, 0.001) * at / 168.0
    return [_told("flow-a", "gas_flow", at, np.round(np.clip(value, 0.0, None), 4))]


def _bubble_count(rng: np.random.Generator, truth: Truth) -> list[Series]:
    """Bubbles in the airlock: below a leak's flow none comes, above 150 a minute they run together."""
    at = _times(rng, truth, 10.0)
    leak = rng.uniform(0.0, 0.004)  # L/min that finds another way first
    each = rng.uniform(0.001, 0.003)  # L
    flow = np.clip(truth_at(gas(truth), at) / 60.0 / 1.84 * rng.uniform(0.6, 1.0) - leak, 0.0, None)
    rate = flow / each
    rate = rate / (1.0 + rate / 150.0)
    return [_told("lock-a", "bubbles", at, np.round(rng.poisson(rate * 10.0) / 10.0, 1))]


def _mass(rng: np.random.Generator, truth: Truth) -> list[Series]:
    """A scale under the bucket: CO2 and a little water leave; noise of 3 to 20 g, drift of up to 20 g a week."""
    at = _times(rng, truth, 15.0)
    kilograms = LITRES * truth.original + 1.2 - np.cumsum(gas(truth)) / 1000.0
    for each in truth.additions:
        kilograms[each.hour :] += each.rise / SUGAR_SG * LITRES / 1000.0
    dries = rng.uniform(0.2, 1.5) / 1000.0  # kg a day
    value = truth_at(kilograms, at) - dries * at / 24.0 + rng.uniform(-0.02, 0.02) * at / 168.0
    value = value + rng.normal(0.0, rng.uniform(0.003, 0.02), at.size)
    return [_told("scale-a", "mass", at, np.round(value, 3))]


def _hand(rng: np.random.Generator, truth: Truth) -> list[Series]:
    """A hydrometer every one to three days."""
    return _read_by_hand(rng, truth, rng.uniform(10.0, 60.0), (20.0, 72.0))


def _hand_daily(rng: np.random.Generator, truth: Truth) -> list[Series]:
    """A hydrometer once or twice a day."""
    return _read_by_hand(rng, truth, rng.uniform(1.0, 14.0), (11.0, 26.0))


def _read_by_hand(rng: np.random.Generator, truth: Truth, first: float, apart: tuple[float, float]) -> list[Series]:
    """Readings with a standard deviation of 0.0007, to the nearest 0.0005."""
    at, hour = [], first
    while hour < truth.hours - 1:
        at.append(hour)
        hour += rng.uniform(*apart)
    hours = np.array(at)
    value = truth_at(truth.gravity, hours) + rng.normal(0.0, 0.0007, hours.size)
    return [_told(f"hand:{VESSEL}", "gravity", hours, np.round(np.round(value / 0.0005) * 0.0005, 4))]


WITNESSES = {"ambient": _ambient, "co2": _co2, "bubbles": _bubble_count, "mass": _mass, "hand": _hand,
             "hand-daily": _hand_daily}  # fmt: skip
