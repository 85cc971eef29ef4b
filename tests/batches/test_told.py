"""Deeds in words: one sentence for each, from the side of the batch, the wash or the jar."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.batches.record import subjects
from monitor.batches.told import sentence
from monitor.model.deeds import DeedEntry, Harvested, Jarred, JarUsed
from monitor.model.inputs import BatchStarted

FIELDS: dict[str, Any] = {
    "at": 1, "received": 2, "batch": "amber-1", "to": "jug-a", "name": "amber-2", "vessel": "jug-b", "volume_l": 4.0,
    "into": "amber-2", "about": "batch:amber-1", "text": "clean", "file": "0123456789abcdef.jpg", "part": 1,
    "what": "silica sol", "target_c": 4.0, "hours": 48.0, "litres": 4.0, "headspace_l": 0.3, "sealed_at_c": 20.0,
    "stored_at_c": 25.0, "wash": "w-1", "strain": "ale", "generation": 2, "volume_ml": 250.0, "water_ml": 900.0,
    "jar": "ale-1", "origin": "wash", "cells_per_ml": 1.2e9, "layer_ml": 60.0, "ml": 150.0, "clearness": "hazy",
}  # fmt: skip


def deed(kind: type[Any], **more: Any) -> Any:
    wanted = {name: value for name, value in FIELDS.items() if kind.model_fields.get(name) is not None}
    return kind(**{**wanted, **more})


@pytest.mark.parametrize("kind", DeedEntry.__args__, ids=lambda kind: kind.__name__)
def test_every_deed_has_its_sentence_in_every_record_that_holds_it(kind: type[Any]):
    """None is shown by the name of its kind, whichever thing it is looked at from."""
    entry = deed(kind)
    for about in subjects(entry):
        words = sentence(entry, about.partition(":")[2])
        assert words != entry.kind
        assert len(words.split()) > 1


@pytest.mark.parametrize(
    ("entry", "name", "words"),
    [
        (deed(Harvested), "amber-1", "250 mL of lees taken to wash as w-1, generation 2"),
        (deed(Harvested), "w-1", "250 mL of lees of amber-1 taken to wash as w-1, generation 2"),
        (deed(JarUsed), "ale-1", "150 mL pitched into batch amber-1"),
        (deed(JarUsed), "amber-1", "150 mL of jar ale-1 pitched"),
        (deed(JarUsed, batch=None), "ale-1", "150 mL used"),
        (deed(Jarred), "w-1", "250 mL put up as jar ale-1, generation 2, washed as w-1"),
        (
            deed(Jarred, wash=None, origin="starter", parents=["ale-0"], taken_ml=100.0),
            "ale-0",
            "250 mL put up as jar ale-1, generation 2, a starter grown from 100 of ale-0",
        ),
        (
            BatchStarted(batch={"name": "amber-3", "vessel": "bucket-a", "jars": ["ale-1"]}, received=5),
            "ale-1",
            "batch amber-3 pitched from it",
        ),
    ],
)
def test_a_deed_is_told_from_the_side_of_the_thing(entry: Any, name: str, words: str):
    """What the reader knows already is left out."""
    assert sentence(entry, name) == words
