"""The forms of the pages of batches and jars: which deed each tells, what it asks, and what was typed into it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from monitor.batches.clearing import ALLERGEN
from monitor.batches.shelf import Jar
from monitor.engine import clocks
from monitor.engine.state import State
from monitor.rules.batch import BatchState
from monitor.web.refusal import NotFound
from monitor.web.words import sentence

Kind = Literal["text", "area", "decimal", "when", "pick", "tick"]
CLEAR_WORDS = (("opaque", "opaque"), ("cloudy", "cloudy"), ("hazy", "hazy"), ("clear", "clear"), ("bright", "bright"))


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a form asks."""

    name: str
    label: str
    kind: Kind = "text"
    hint: str = ""
    value: str = ""
    required: bool = False
    options: tuple[tuple[str, str], ...] = ()
    longest: int = 0


@dataclass(frozen=True, slots=True)
class Form:
    """A form that tells one deed: `fixed` is what it says without asking."""

    name: str
    title: str
    button: str
    fixed: dict[str, Any]
    fields: tuple[Field, ...] = ()
    notes: tuple[str, ...] = ()
    wrong: str = ""
    remedy: str = ""

    def deed(self, typed: dict[str, Any]) -> dict[str, Any]:
        """The fields of the deed; a field the form does not ask for is let through, to be refused by name."""
        return {**typed, **self.fixed}

    def again(self, typed: dict[str, Any], wrong: str, remedy: str) -> Form:
        """The same form with what was typed, and why it could not be taken."""
        fields = tuple(replace(each, value=str(typed.get(each.name, ""))) for each in self.fields)
        return replace(self, fields=fields, wrong=wrong, remedy=remedy)


WHEN = Field("at", "When", "when", "left empty: now")


def _picks(names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    return tuple((name, name) for name in names)


# --- a batch -----------------------------------------------------------------------------------------------------


def of_batch(state: State, batch: BatchState) -> list[Form]:
    """What can be told of a batch now; of one that is over, words alone."""
    forms = [_note(f"batch:{batch.name}")]
    if batch.closed:
        return forms
    forms += [_clarity(batch), _fining(state, batch)]
    free = [each.name for each in state.settings.vessel if _is_free(state, each.name)]
    if free:
        forms.append(_rack(batch, free, state))
    about = f"batch:{batch.name}"
    forms.append(_unhold(about) if about in clocks.holds(state) else _hold(state, about))
    return forms


def _is_free(state: State, vessel: str) -> bool:
    return all(each.closed or each.vessel != vessel for each in state.batches.values())


def _note(about: str) -> Form:
    sorts = (("note", "a note"), ("tasting", "what it tastes like"), ("off-smell", "it smells off"))
    fields = (
        Field("text", "In your words", "area", required=True, longest=4000),
        Field("sort", "What it is", "pick", value="note", options=sorts),
        Field("score", "Of 10, if you like", "decimal", "a tasting only"),
        WHEN,
    )
    return Form("note", "Note something", "Note it", {"kind": "note", "about": about}, fields)


def _clarity(batch: BatchState) -> Form:
    fields = (
        Field("clearness", "By eye", "pick", "leave it out if you give a turbidity", options=(("", "–"), *CLEAR_WORDS)),
        Field("ntu", "Turbidity, NTU", "decimal", "if you have a meter"),
        WHEN,
    )
    return Form("clarity", "Say how clear it is", "Note it", {"kind": "clarity", "batch": batch.name}, fields)


def _fining(state: State, batch: BatchState) -> Form:
    practice = state.settings.practice.clearing
    minutes = practice.second_after / 60.0
    found = clocks.clearing_of(state, batch)
    second = found.first is not None and found.second is None
    packet = practice.second_ml_per_l if second else practice.first_ml_per_l
    fields = [
        Field("part", "Which part", "pick", value="2" if second else "1", options=(("1", "first"), ("2", "second"))),
        Field("what", "What it is", hint="such as silica sol, or chitosan", required=True, longest=60),
        Field("ml_per_l", "By the packet, mL for a litre", "decimal", value="" if packet is None else f"{packet:g}"),
        Field("dose_ml", "How much went in, mL", "decimal", "left empty: by the packet for this volume"),
        Field("degassed", "The gas was stirred out first", "tick"),
        Field("anyway", "It went in already, whatever is said against it", "tick"),
        WHEN,
    ]
    notes = (
        f"The second part goes in about {minutes:.0f} min after the first (common practice).",
        "Yeast for the shelf is taken before finings.",
        sentence(ALLERGEN),
    )
    return Form("fining", "Put finings in", "Note the finings", {"kind": "fining", "batch": batch.name},
                tuple(fields), notes)  # fmt: skip


def _rack(batch: BatchState, free: list[str], state: State) -> Form:
    fields = (
        Field("to", "Into", "pick", options=_picks(free)),
        Field("volume_l", "What arrived, L", "decimal"),
        Field("loss_l", "What stayed behind, L", "decimal"),
        WHEN,
    )
    checklist = tuple(sentence(each) for each in state.settings.practice.racking.checklist)
    return Form("rack", "Rack it into another vessel", "It was racked", {"kind": "racked", "batch": batch.name},
                fields, checklist)  # fmt: skip


def _hold(state: State, about: str) -> Form:
    cold = state.settings.practice.cold
    fridges = tuple(state.fridges)
    fields = (
        Field("fridge", "In", "pick", options=(("", "no fridge that is watched"), *_picks(fridges)),
              value=fridges[0] if fridges else ""),
        Field("target_c", "At or below, °C", "decimal", value="4", required=True),
        Field("hours", "For so many hours", "decimal", "the clock starts when the liquid is cold",
              f"{cold.settle_hours:g}", required=True),
        Field("from_c", "Warmth when it went in, °C", "decimal", "left empty: by its probe, else a room's"),
        WHEN,
    )  # fmt: skip
    checklist = (*(sentence(each) for each in cold.checklist),
                 "Leeswatch only watches: set the fridge at its own dial or controller.")  # fmt: skip
    return Form("hold", "Hold it cold", "It stands in the cold", {"kind": "hold", "about": about}, fields, checklist)


def _unhold(about: str) -> Form:
    return Form("unhold", "End the cold hold", "It came out", {"kind": "hold-ended", "about": about}, (WHEN,))


# --- a jar -------------------------------------------------------------------------------------------------------


def of_jar(state: State, jar: Jar) -> list[Form]:
    """What can be told of a jar; of one that is gone, words alone."""
    name = jar.name
    if jar.gone:
        return [_note(f"jar:{name}")]
    batches = [each.name for each in state.batches.values() if not each.closed]
    use = (
        Field("ml", f"How much, {jar.unit}", "decimal", f"{jar.left_ml:g} {jar.unit} are left", required=True),
        Field("batch", "Into", "pick", options=(("", "no batch of these"), *_picks(batches))),
        WHEN,
    )
    discard = (Field("why", "Why", longest=200), WHEN)
    return [
        Form("use", "Use some of it", "It was used", {"kind": "jar-used", "jar": name}, use),
        Form("discard", "Throw it out", "It is gone", {"kind": "jar-discarded", "jar": name}, discard),
        _note(f"jar:{name}"),
    ]


def named(forms: list[Form], name: str) -> Form:
    """One of these forms; NotFound when it is not among them now."""
    found = next((form for form in forms if form.name == name), None)
    if found is None:
        raise NotFound(f"that cannot be told now: {name}", "load the page again to see what can")
    return found


@dataclass(slots=True)
class Failed:
    """A form that was sent and refused."""

    form: str
    typed: dict[str, Any] = field(default_factory=dict)
    wrong: str = ""
    remedy: str = ""
    status: int = 400

    def into(self, forms: list[Form]) -> list[Form]:
        """The forms, that one with its reason."""
        return [form.again(self.typed, self.wrong, self.remedy) if form.name == self.form else form for form in forms]
