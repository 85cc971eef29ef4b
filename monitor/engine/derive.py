"""From what a probe says to gravity: calibration curves, hydrometer correction, degrees Plato."""

from __future__ import annotations

from monitor.engine.state import State
from monitor.science import gravity, sugar


def gravity_of(state: State, probe: str, quantity: str, value: float) -> tuple[float, float] | None:
    """Gravity (SG 20/20) and its standard error from one reading; None where it does not tell gravity.

    The error is that of the calibration alone; the noise is seen in the readings.
    """
    curve = state.curve(probe, quantity)
    if curve is not None:
        settings = state.probe_settings(probe)
        if settings is None or settings.calibration[quantity].target != "gravity":  # type: ignore[index]
            return None
        return curve.value(value), curve.error(value)
    if quantity == "gravity":
        return value, 0.0
    if quantity == "extract":
        return sugar.sg_from_plato(value), 0.0
    return None


def temperature_of(state: State, probe: str, value: float) -> float:
    """Temperature by the probe's own calibration, if it has one."""
    curve = state.curve(probe, "temperature")
    return curve.value(value) if curve is not None else value


def hydrometer(scale: float, temperature_c: float) -> tuple[float, float]:
    """Gravity and standard error from a 20 °C scale read at a temperature."""
    bounded = min(max(temperature_c, 0.0), 40.0)
    return gravity.hydrometer_sg(scale, bounded), gravity.hydrometer_error(scale, bounded)
