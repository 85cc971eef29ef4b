"""What a person read off a hydrometer and typed in: a message like any other, for the probe `hand:<vessel>`."""

from __future__ import annotations

from monitor.model.clock import Clock, iso
from monitor.model.errors import PayloadError
from monitor.model.inputs import Message, Sample
from monitor.model.quantities import QUANTITIES


def hand_probe(vessel: str) -> str:
    """The probe that stands for a person's readings of a vessel."""
    return f"hand:{vessel}"


def hand_message(vessel: str, hydrometer: float, temperature: float | None, measured_ms: int, clock: Clock) -> Message:
    """A reading of the scale, with the temperature (Cel) the sample had if it was taken.

    The scale is as read, for a hydrometer calibrated at 20 Cel: rescaling one that is not belongs to the caller.
    PayloadError when a value cannot be, or the time lies ahead.
    """
    now_ms = clock.wall_ms()
    if measured_ms > now_ms:
        raise PayloadError(f"{iso(measured_ms)} is still to come", "give the time the reading was taken")
    low, high = QUANTITIES["hydrometer"].plausible
    if not low <= hydrometer <= high:
        raise PayloadError(f"a hydrometer does not read {hydrometer:g}", f"give a number from {low:.3f} to {high:.3f}")
    samples = [Sample("hydrometer", hydrometer, measured_ms)]
    if temperature is not None:
        low, high = QUANTITIES["temperature"].plausible
        if not low <= temperature <= high:
            raise PayloadError(f"a sample is not at {temperature:g} °C", f"give a number from {low:g} to {high:g}")
        samples.append(Sample("temperature", temperature, measured_ms))
    return Message("hand", hand_probe(vessel), now_ms, clock.mono_ms(), tuple(samples))
