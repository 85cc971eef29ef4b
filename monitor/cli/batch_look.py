"""What the verbs that tell of deeds share: how things stand, when it was done, the deed itself."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError

from monitor.cli.common import batch_of, local, moment, now_ms, reader_of, whole_state
from monitor.model.config import Settings
from monitor.model.entry import Entry
from monitor.model.errors import StoreError, UsageError

if TYPE_CHECKING:
    from monitor.batches.life import Life
    from monitor.engine.checks import Asked
    from monitor.engine.state import State
    from monitor.rules.batch import BatchState

E = TypeVar("E", bound=Entry)


def asked_of(
    settings: Settings, *, anyway: bool = False, liquid_c: float | None = None, ml_per_l: float | None = None
) -> Asked:
    """What a deed is checked against: the state as last committed, now, and what else was said on the line."""
    from monitor.engine.checks import Asked  # noqa: PLC0415 - the engine, for verbs that tell or judge only

    return Asked(
        whole_state(settings), now_ms(settings), lambda ms: local(ms, settings), lambda name: verdicts(settings, name),
        anyway, liquid_c, ml_per_l,
    )  # fmt: skip


def verdicts(settings: Settings, name: str) -> Iterable[dict[str, Any]]:
    """What was said of a batch, in order."""
    try:
        with reader_of(settings) as reader:
            return list(reader.verdicts(name))
    except StoreError:
        return ()


def when_of(args: argparse.Namespace, settings: Settings, asked: Asked) -> int:
    """When it was done: as typed, else now."""
    return asked.now_ms if args.when is None else moment(args.when, settings)


def deed(kind: type[E], **words: object) -> E:
    """A deed; UsageError with what cannot be."""
    try:
        return kind(**words)
    except ValidationError as error:
        first = error.errors()[0]
        where = f"{_typed(str(first['loc'][0]))}: " if first["loc"] else ""
        said = str(first["msg"]).removeprefix("Value error, ")
        said = f"{said[0].lower()}{said[1:]}" if said.startswith("Input") else said
        raise UsageError(f"{where}{said}", "correct it and try again") from error


def _typed(field: str) -> str:
    """How a field of a deed is given on the command line."""
    named = {"about": "the name", "name": "the name", "ml": "ML", "target_c": "--target", "from_c": "--from",
             "headspace_l": "--headspace", "volume_l": "--litres", "loss_l": "--loss", "dose_ml": "--dose",
             "sealed_at_c": "--sealed-at", "stored_at_c": "--stored-at", "stored_c": "--stored", "rated_bar": "--rated",
             "volume_ml": "ML", "layer_ml": "the layer", "kept_ml": "--kept", "water_ml": "--water", "stands_c": "--at",
             "taken_ml": "ML"}  # fmt: skip
    return named.get(field, f"--{field.replace('_', '-')}")


def life_of(state: State, settings: Settings, name: str) -> Life:
    """The life of a batch; UsageError where there is none of that name."""
    from monitor.engine import lives  # noqa: PLC0415 - with half the science

    batch_of(state, name)
    found = lives.life_of(state, name, now_ms(settings), lambda ms: local(ms, settings))
    assert found is not None
    return found


def look(settings: Settings, name: str) -> tuple[Asked, BatchState]:
    """How things stand, and a batch in it; UsageError where there is none of that name."""
    asked = asked_of(settings)
    return asked, batch_of(asked.state, name)


def undo(name: str) -> str:
    """The command that takes it back."""
    return f"leeswatch batch undo {name}"
