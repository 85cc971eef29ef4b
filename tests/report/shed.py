"""A shed with two sibling washes from pitch to jar, filed through the engine: a week of readings, and the deeds."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from monitor.ledger import Ledger
from monitor.model.clock import HOUR, MINUTE
from monitor.model.deeds import (
    Clarity,
    Fined,
    Harvested,
    JarDiscarded,
    Jarred,
    Noted,
    Photo,
    Racked,
    SealedUp,
    Split,
    Undone,
)
from monitor.model.inputs import Added, BatchStarted, Configured, JournalEntry, Reading, StageChanged, Started
from monitor.settings import load_settings, store_path
from monitor.store.photos import folder_of
from monitor.store.store import Store

START = 1_775_494_800_000  # 2026-04-06T17:00:00Z
HOURS = 150
PUBLIC = "https://shed.example:8650/"

CONFIG = """\
[site]
name = "Orchard <shed> & co"
timezone = "Europe/Lisbon"
[store]
path = "store.db"
[mqtt]
host = "127.0.0.1"
[[probe]]
name = "float-left"
source = "mqtt"
topic = "shed/float-left"
[[probe]]
name = "float-right"
source = "mqtt"
topic = "shed/float-right"
[[vessel]]
name = "left"
volume_l = 20
probes = ["float-left"]
[[vessel]]
name = "right"
volume_l = 20
probes = ["float-right"]
[[vessel]]
name = "jug"
volume_l = 19
material = "glass"
[[vessel]]
name = "demijohn"
volume_l = 5
material = "glass"
[[vessel]]
name = "spare"
volume_l = 19
material = "steel"
"""


def write_config(folder: Path, *, public_url: str | None = PUBLIC) -> Path:
    file = folder / "leeswatch.toml"
    web = f'[web]\nenabled = false\npublic_url = "{public_url}"\n' if public_url else "[web]\nenabled = false\n"
    file.write_text(CONFIG + web, encoding="utf-8")
    return file


def gravity(hours: float, middle: float) -> float:
    return 1.0535 - 0.0525 / (1.0 + math.exp(-0.11 * (hours - middle)))


def readings() -> Iterator[Reading]:
    chance = random.Random(11)
    for number in range(2 * HOURS):
        at = START + MINUTE + number * 30 * MINUTE
        for index, (probe, middle, warm) in enumerate((("float-left", 34.0, 21.5), ("float-right", 52.0, 19.5))):
            level = round(gravity(number / 2, middle) + chance.gauss(0.0, 0.0005), 5)
            yield Reading(probe, "gravity", at, level, at + 300 + 10 * index)
            yield Reading(probe, "temperature", at + 1, round(warm + chance.gauss(0, 0.1), 2), at + 305 + 10 * index)


def deeds(photo: str | None = None) -> list[tuple[float, type[JournalEntry], dict[str, Any]]]:
    """What was done, by hours since pitch."""
    batch = {"vessel": "left", "pitched": START, "recipe": "hedge", "yeast": "hill", "volume_l": 20.0,
             "original_gravity": 1.0535, "fermentables": "sugar"}  # fmt: skip
    told: list[tuple[float, Any, dict[str, Any]]] = [
        (-30, Jarred, {"jar": "packet", "strain": "hill <ale>", "origin": "packet", "volume_ml": 11.0}),
        (0, BatchStarted, {"batch": {**batch, "name": "hedge-left", "jars": ["packet"]}}),
        (0, BatchStarted, {"batch": {**batch, "name": "hedge-right", "vessel": "right"}}),
        (20, Noted, {"about": "batch:hedge-left", "text": "Foam <b>ring</b> & pears"}),
        (24, Added, {"batch": "hedge-left", "what": "nutrient", "amount": 8.0, "unit": "g"}),
        (25, Added, {"batch": "hedge-left", "what": "nutrient", "amount": 80.0, "unit": "g"}),
        (151, Racked, {"batch": "hedge-left", "to": "jug", "volume_l": 18.7, "loss_l": 1.1}),
        (151.5, Harvested, {"wash": "hedge-wash", "batch": "hedge-left", "strain": "hill <ale>", "generation": 1,
                            "volume_ml": 700.0}),
        (151.7, StageChanged, {"batch": "hedge-left", "stage": "clearing"}),
        (152, Fined, {"batch": "hedge-left", "part": 1, "what": "silica sol", "dose_ml": 20.0, "degassed": True}),
        (153, Fined, {"batch": "hedge-left", "part": 2, "what": "chitosan", "dose_ml": 60.0}),
        (165, Clarity, {"batch": "hedge-left", "clearness": "hazy"}),
        (177, Clarity, {"batch": "hedge-left", "clearness": "clear"}),
        (178, Split, {"batch": "hedge-left", "name": "hedge-part", "vessel": "demijohn", "volume_l": 4.5}),
        (179, Noted, {"about": "batch:hedge-left", "text": "Dry, a little pear.", "sort": "tasting", "score": 7}),
        (180, SealedUp, {"batch": "hedge-left", "litres": 4.0, "headspace_l": 0.3, "sealed_at_c": 4.0,
                         "stored_at_c": 25.0}),
        (181, Jarred, {"jar": "hedge-jar-1", "strain": "hill <ale>", "origin": "wash", "wash": "hedge-wash",
                       "generation": 1, "volume_ml": 250.0, "layer_ml": 90.0}),
        (181, Jarred, {"jar": "hedge-jar-2", "strain": "hill <ale>", "origin": "wash", "wash": "hedge-wash",
                       "generation": 1, "volume_ml": 250.0}),
        (182, JarDiscarded, {"jar": "hedge-jar-2", "why": "dropped"}),
        (182, StageChanged, {"batch": "hedge-right", "stage": "clearing"}),
        (183, BatchStarted, {"batch": {"name": "silent", "vessel": "spare", "pitched": START + 183 * HOUR}}),
    ]  # fmt: skip
    if photo is not None:
        told.append((178.5, Photo, {"about": "batch:hedge-left", "file": photo, "caption": 'A "clear" <jug>'}))
    return told


def fill(config: Path, photo: bytes | None = None) -> None:
    """File it all; a second dose of nutrient is taken back."""
    settings = load_settings(config)
    name = None
    if photo is not None:
        folder_of(store_path(settings)).mkdir(exist_ok=True)
        name = "0123456789abcdef.jpg"
        (folder_of(store_path(settings)) / name).write_bytes(photo)
    with Store.open(store_path(settings)) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        with ledger.commit():
            for entry in inputs(settings.for_rules().as_json(), name):
                ledger.put(entry)


def inputs(settings: dict[str, Any], photo: str | None) -> Iterator[JournalEntry | Reading]:
    first = START - 40 * HOUR
    last = first + 1
    yield Started(version="0.1.0", watched_until=None, received=first)
    yield Configured(settings=settings, received=last)
    todo = sorted(deeds(photo), key=lambda deed: deed[0])
    coming = readings()
    reading = next(coming, None)
    while todo or reading is not None:
        at = START + round(todo[0][0] * HOUR) if todo else 1 << 62
        if reading is not None and reading.received_ms <= at:
            yield reading
            last, reading = reading.received_ms, next(coming, None)
            continue
        _, kind, values = todo.pop(0)
        last = max(at, last + 1)
        yield kind(received=last, **({} if kind is BatchStarted else {"at": at}), **values)
        if values.get("amount") == 80.0:
            yield Undone(of=last, received=last + 1)
            last += 1
