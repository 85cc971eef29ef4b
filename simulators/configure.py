"""The watcher's configuration that belongs to a scenario."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from simulators.parts import Batch, Fridge, Probe
from simulators.probes import float_angle
from simulators.says import device_of, field_map, pattern_of, rfc3339, topic_of
from simulators.scenario import Scenario

_CALIBRATED_AT = (1.000, 1.020, 1.045, 1.070, 1.100)


def configuration(
    scenario: Scenario,
    *,
    mqtt_port: int | None = None,
    serial_ports: Mapping[str, str | Path] | None = None,
    store: str | Path | None = None,
    start_ms: int | None = None,
) -> str:
    """TOML text naming the scenario's probes, places and batches as they are at its start.

    `serial_ports` gives the path of each serial probe's line; one that is not named gets a path that need
    not exist (good for replay). `start_ms` moves the batches with a play that starts elsewhere.
    """
    ports = {name: str(path) for name, path in (serial_ports or {}).items()}
    parts = [_table("site", name=scenario.site, timezone=scenario.timezone)]
    if store is not None:
        parts.append(_table("store", path=str(store)))
    if any(probe.wire == "mqtt" for probe in scenario.probe):
        parts.append(_table("mqtt", host="127.0.0.1", port=mqtt_port or 1883))
    parts += [_probe(probe, ports) for probe in scenario.probe if probe.wire != "hand"]
    for vessel in scenario.vessel:
        probes = _in(scenario, vessel.name)
        about: dict[str, object] = {"name": vessel.name, "volume_l": vessel.litres, "material": vessel.material}
        parts.append(_table("[vessel]", **about, probes=probes, abv=vessel.abv or None))
    parts += [_table("[room]", name=room.name, probes=_in(scenario, room.name)) for room in scenario.room]
    parts += [_fridge(scenario, fridge) for fridge in scenario.fridge]
    begin_ms = scenario.start_ms if start_ms is None else start_ms
    parts += [_batch(batch, begin_ms) for batch in scenario.batch]
    return "\n".join(parts)


def _in(scenario: Scenario, place: str) -> list[str]:
    return [probe.name for probe in scenario.probe if probe.place == place and probe.wire != "hand"]


def _probe(probe: Probe, ports: Mapping[str, str]) -> str:
    text = _table("[probe]", name=probe.name, source=probe.wire, measures=probe.measures)
    if probe.wire == "mqtt":
        text += _line("topic", topic_of(probe))
    elif probe.wire == "serial":
        text += _line("port", ports.get(probe.name, f"/dev/serial/by-id/{probe.name}"))
    else:
        text += _line("device", device_of(probe))
    if probe.wire == "serial" and probe.says == "text":
        text += _line("pattern", pattern_of(probe))
    if probe.says == "fields":
        text += _table("probe.fields", **field_map(probe))
    if "float_angle" in probe.quantities:
        points = [[round(float_angle(gravity), 1), gravity] for gravity in _CALIBRATED_AT]
        text += _table("probe.calibration.float_angle", gravity=points)
    return text


def _fridge(scenario: Scenario, fridge: Fridge) -> str:
    contents = [vessel.name for vessel in scenario.vessel if vessel.place == fridge.name]
    return _table(
        "[fridge]",
        name=fridge.name,
        target_c=fridge.target_c,
        band_k=fridge.band_k,
        probes=_in(scenario, fridge.name),
        contents=contents,
    )


def _batch(batch: Batch, begin_ms: int) -> str:
    return _table("[batch]", name=batch.name, vessel=batch.vessel) + (
        f"pitched = {rfc3339(begin_ms + round(batch.pitched_h * 3_600_000))}\n"
        + "".join(
            _line(key, value)
            for key, value in (
                ("original_gravity", batch.original_gravity),
                ("expected_final", batch.expected_final),
                ("expected_final_sd", batch.expected_final_sd),
                ("fermentables", batch.fermentables),
                ("yeast_range_c", list(batch.yeast_range_c) if batch.yeast_range_c else None),
                ("alcohol_limit_abv", batch.alcohol_limit_abv),
            )
            if value is not None
        )
    )


def _table(heading: str, **values: object) -> str:
    body = "".join(_line(key, value) for key, value in values.items() if value is not None)
    return f"[{heading}]\n{body}"


def _line(key: str, value: object) -> str:
    # JSON's strings, numbers, booleans and lists of them are valid TOML.
    return f"{key} = {json.dumps(value, ensure_ascii=False)}\n"
