"""The warmth a batch makes: its liquid stands above the air of its room while it works.

Heat made = what flows off to the air + what warms the liquid, over a day:

    (T - T_air) / tau + dT/dt,    tau the vessel's time constant (`science/thermal.py`).

Taken over a whole day this needs no lag for the air: what the liquid still owes it stands in dT/dt. A thermometer's
offset and a room that is warmer above than below make the same difference all the time; that is learned while the
batch has not begun and while it works. What changes of it from day to day (0.1 to 0.2 K) is not, so this witness is
wide: it supports, and seldom decides.
"""

from __future__ import annotations

import math

from monitor.model.clock import DAY
from monitor.rules import activity
from monitor.rules.activity import Activity, Falls, Figure, Prior, Ratios
from monitor.rules.track import PointSource
from monitor.science import carbon, thermal
from monitor.science.thermal import Material

HEAT_KJ_G = 0.587  # heat set free by a gram of fermented extract, from memory of brewing texts; within a tenth
THERMOMETERS_K = 0.5  # by which two may differ before it is learned
LAYERS_K = 0.15  # by how much that changes with the day
NOISE_K = 0.02


def prior(litres: float, material: Material) -> Prior:
    """By theory: SG a day for a kelvin over the air."""
    tau = thermal.time_constant(min(max(litres, 0.05), 2000.0), material)
    extract_g_l = 1000.0 * carbon.CO2_PER_POINT / carbon.CO2_PER_EXTRACT  # for 1 SG
    slope = thermal.WATER_HEAT / 1e6 / (HEAT_KJ_G * extract_g_l) / (tau.usual_s * 1000.0 / DAY)
    return Prior(slope, 0.35 * slope, THERMOMETERS_K * slope, rough=0.12, loose=3.0 * THERMOMETERS_K * slope)


def learn(
    liquid: PointSource, air: PointSource, gravity: PointSource | None, ratios: Ratios, vessel: tuple[float, Material],
    since_ms: int, now_ms: int, *, started: bool,
) -> bool:  # fmt: skip
    """Every three hours what the day teaches; before the start it teaches what no heat at all looks like."""
    if not activity.due(ratios, now_ms):
        return False
    fell = activity.fall(gravity, now_ms, since_ms)
    figure = _figure(liquid, air, vessel, now_ms, since_ms)
    if fell is None or figure is None or (not started and fell.value > activity.CERTAIN * fell.sd):
        return False
    ratios.learned_ms = now_ms
    activity.teach(ratios, figure, fell, prior(*vessel), started=started)
    return True


def say(
    probe: str, liquid: PointSource, air: PointSource, ratios: Ratios, fell: Falls,
    vessel: tuple[float, Material], since_ms: int, now_ms: int,
) -> Activity | None:  # fmt: skip
    """What its warmth tells of the rate now; None where it cannot."""
    figure = _figure(liquid, air, vessel, now_ms, since_ms) if ratios.taught() else None
    if figure is None:
        return None
    known = prior(*vessel)
    best = activity.weighed(activity.told(ratios, figure, known, max(ratios.slope, 0.7 * known.slope) * LAYERS_K), fell)
    if best is None:
        return None
    side = "above" if figure.value > 0.0 else "below"
    stands = f"stands {abs(figure.value):.1f} K {side} what the room gives it" if abs(figure.value) >= 0.05 else (
        "is no warmer than the room explains"
    )  # fmt: skip
    words = (
        f"the liquid {stands} (thermometer {probe}), "
        f"which tells of a fall of {best.value:.4f} ± {1.645 * best.sd:.4f} a day"
    )
    return Activity("heat", probe, -best.value, best.sd, best.from_ms, best.to_ms, words)


def _figure(
    liquid: PointSource, air: PointSource, vessel: tuple[float, Material], now_ms: int, since_ms: int
) -> Figure | None:
    """Kelvin over the air in the long run, for the heat of a day."""
    hours = activity.WINDOW_H
    warm = activity.window(liquid, now_ms, hours, since_ms)
    cold = activity.window(air, now_ms, hours, since_ms)
    if not warm or not cold:
        return None
    inside = activity.mean(warm, hours, now_ms, NOISE_K)
    outside = activity.mean(cold, hours, now_ms, NOISE_K)
    warms = activity.change(warm, hours, now_ms, NOISE_K)
    if inside is None or outside is None or warms is None:
        return None
    tau = thermal.time_constant(min(max(vessel[0], 0.05), 2000.0), vessel[1])
    tau_days, unsure = tau.usual_s * 1000.0 / DAY, (tau.high_s - tau.low_s) / 3.29 * 1000.0 / DAY
    value = inside.value - outside.value + tau_days * warms.value
    sd = math.hypot(inside.sd, outside.sd, tau_days * warms.sd, unsure * warms.value)
    return Figure(value, sd, inside.from_ms, inside.to_ms)
