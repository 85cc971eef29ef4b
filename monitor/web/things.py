"""The pages of a batch, of the shelf and of a jar: what each is, what was done, and forms to tell more. No script."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from monitor.batches import lineage, pitching, washing
from monitor.batches.life import Life, Line
from monitor.batches.lineage import Lineage, Node
from monitor.batches.pitching import Usual
from monitor.batches.record import taken_back
from monitor.batches.shelf import CAUTIONS, Jar
from monitor.batches.strength import ORIGINAL_HOW
from monitor.engine import clocks, pictures, yeast_clocks
from monitor.engine.lives import life_of
from monitor.engine.pitching import usual_of
from monitor.engine.state import State
from monitor.model.clock import iso, parse_time
from monitor.model.deeds import Undone
from monitor.model.errors import Refused
from monitor.model.inputs import JournalEntry
from monitor.report import tables
from monitor.report.drawing import drawing
from monitor.store.photos import folder_of
from monitor.store.reader import Reader
from monitor.web import actions, cards, forms, telling
from monitor.web.actions import Change, checked
from monitor.web.forms import Failed
from monitor.web.look import load, picture, reading
from monitor.web.records import committed
from monitor.web.refusal import BadRequest, NotFound, Refusal, status_of
from monitor.web.ways import Ask, back_to
from monitor.web.words import Local, sentence, sg

SAID = {
    "told": "It is noted.",
    "undone": "That is taken back, or counts again: see below.",
}
MEDIA = {"jpg": "image/jpeg", "jpeg": "image/jpeg", "png": "image/png", "webp": "image/webp", "heic": "image/heic"}


def _session(ask: Ask) -> str:
    """The token its forms carry; on loopback a session is opened for whoever has none."""
    if ask.session is None and ask.house.guard.free:
        ask.session, ask.fresh = ask.house.guard.open(), True
    return ask.session.csrf if ask.session else ""


def _common(ask: Ask) -> dict[str, Any]:
    return {
        "site": ask.house.desk.settings.site.name, "local": ask.local, "csrf": _session(ask), "sentence": sentence,
        "said": SAID.get(ask.query("said") or ""),
    }  # fmt: skip


# --- a batch -------------------------------------------------------------------------------------------------------


def batch(ask: Ask) -> Response:
    """A batch."""
    return _batch(ask, None)


def _batch(ask: Ask, failed: Failed | None) -> Response:
    name, local = ask.path("name"), ask.local
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
        found = actions.find_batch(state, name)
        told = picture(reader, state, local.now_ms)
        one = next(each for each in told["batches"] if each["name"] == name)
        card = cards.batch_card(ask, reader, state, told, one)
        curve = ask.house.curves.whole(reader, state, found, local.now_ms)
    life = life_of(state, name, local.now_ms, lambda ms: f"{local.moment(ms):%-d %B, %H:%M}")
    assert life is not None
    shown = forms.of_batch(state, found)
    return ask.house.pages.render(
        "batch.html",
        failed.status if failed else 200,
        **_common(ask),
        name=name,
        card={**card, "drawing": drawing(curve, one["final"]),
              "probes": list(dict.fromkeys(line.probe for line in curve.lines))},
        life=life,
        facts=_facts(life, local),
        lines=_lines(life, state.records.get(f"batch:{name}", [])),
        clearing=pictures.clearing_picture(state, found),
        hold=_hold(state, f"batch:{name}", local),
        vessels=pictures.seals_picture(state, found, local.now_ms),
        forms=failed.into(shown) if failed else shown,
        failed=failed,
        action=f"/batch/{name}",
        shelved=[jar for jar in life.jars if f"jar:{jar}" in state.records],
    )  # fmt: skip


Fact = tuple[str, str, str]


def _facts(life: Life, local: Local) -> list[Fact]:
    """Name, value, and how it is known."""
    facts, strong = life.facts, life.strength
    found: list[Fact] = [("Pitched", local.when(facts.pitched_ms), "")]
    if life.closed_ms is not None:
        found.append(("Over since", local.when(life.closed_ms), ""))
    found.append(("Vessel", facts.vessel, ""))
    if life.volume_l is not None:
        lost = f"; {life.lost_l:.1f} L lost in racking" if life.lost_l else ""
        found.append(("Volume", f"{life.volume_l:.1f} L", f"{life.volume_how}{lost}"))
    if facts.original is not None:
        found.append(("Original gravity", sg(facts.original), ORIGINAL_HOW[facts.original_how or "read"]))
    if facts.gravity is not None:
        found.append(("Gravity", sg(facts.gravity), local.when(facts.gravity_ms)))
    if strong is not None:
        found += [
            ("Strength", f"{strong.abv:.1f} % by volume",
             f"{strong.abv_low:.1f} to {strong.abv_high:.1f}; {strong.how}"),
            ("Apparent attenuation", f"{strong.apparent_attenuation:.0f} %",
             f"{strong.apparent_low:.0f} to {strong.apparent_high:.0f}"),
        ]  # fmt: skip
    else:
        found.append(("Strength", "not known", life.no_strength))
    if life.start is not None and life.start.yeast:
        found.append(("Yeast", life.start.yeast, ""))
    if life.start is not None and life.start.recipe:
        found.append(("Recipe", life.start.recipe, ""))
    return found


def _lines(life: Life, record: list[JournalEntry]) -> list[dict[str, Any]]:
    """The history, the latest first, each line with what can be done about it."""
    entries = {entry.received for entry in record}
    return [
        {
            "at": line.at_ms, "text": line.text, "counts": line.counts, "why": line.why,
            "field": "reading" if line.by_hand and line.counts else "of",
            "undo": iso(line.received_ms) if line.counts and _undoable(line, life, entries) else None,
            "again": iso(line.off_ms) if line.off_ms is not None else None,
        }
        for line in reversed(life.history)
    ]  # fmt: skip


def _undoable(line: Line, life: Life, entries: set[int]) -> bool:
    return life.closed_ms is None if line.by_hand else line.received_ms in entries


def _hold(state: State, about: str, local: Local) -> dict[str, Any] | None:
    held = clocks.holds(state).get(about)
    if held is None:
        return None
    return {**pictures.hold_picture(state, about, held), "since": local.when(held.at),
            "target": held.target_c, "hours": held.hours}  # fmt: skip


# --- the shelf -----------------------------------------------------------------------------------------------------


def shelf(ask: Ask) -> Response:
    """All jars."""
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    found = yeast_clocks.shelf_of(state, ask.local.now_ms)
    return ask.house.pages.render(
        "shelf.html",
        **_common(ask),
        mind=partial(_mind, usual=usual_of(state)),
        jars=[(jar, forms.of_jar(state, jar)[:2]) for jar in found if not jar.gone],
        gone=[jar for jar in found if jar.gone],
        washes=[
            (each.name, washing.next_step(each, state.settings.practice.yeast, ask.local.now_ms))
            for each in yeast_clocks.washings_of(state)
            if not (each.jars or each.gone)
        ],
        cautions=[*CAUTIONS, "what smells off goes, whatever the figures say"],
    )


def jar(ask: Ask) -> Response:
    """A jar."""
    return _jar(ask, None)


def _jar(ask: Ask, failed: Failed | None) -> Response:
    name, local = ask.path("name"), ask.local
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    found = _find_jar(state, name, local.now_ms)
    shown = forms.of_jar(state, found)
    past = yeast_clocks.lineage_of(state, name)
    return ask.house.pages.render(
        "jar.html",
        failed.status if failed else 200,
        **_common(ask),
        name=name,
        jar=found,
        mind=partial(_mind, usual=usual_of(state)),
        past=_past(past),
        tree=lineage.svg(past) if past.edges else "",
        lines=_jar_lines(state, name),
        hold=_hold(state, f"jar:{name}", local),
        forms=failed.into(shown) if failed else shown,
        failed=failed,
        action=f"/jar/{name}",
        cautions=CAUTIONS,
    )


def _mind(found: Jar, usual: Usual | None) -> str:
    """What to do with a jar where it cannot just be pitched, in one sentence without its stop; else empty."""
    share = pitching.reach(found, usual) if usual is not None else None
    enough = found.advice == "pitch" and (share is None or share.usual >= 1.0)
    return "" if enough or found.gone else pitching.do(found, usual)


def _past(found: Lineage) -> list[tuple[Node, list[Node]]]:
    """Each thing before the jar, and what became of it."""
    became = {each.about: [found.node(child) for parent, child in found.edges if parent == each.about]
              for each in found.nodes}  # fmt: skip
    return [(each, became[each.about]) for each in found.nodes if each.about != found.root]


def _find_jar(state: State, name: str, now_ms: int) -> Jar:
    found = yeast_clocks.jar_of(state, name, now_ms)
    if found is None:
        known = ", ".join(key[4:] for key in state.records if key.startswith("jar:")) or "none"
        raise NotFound(f"there is no jar {name}", f"jars: {known}")
    return found


def _jar_lines(state: State, name: str) -> list[dict[str, Any]]:
    record = state.records.get(f"jar:{name}", [])
    off = taken_back(record)
    lines = []
    for entry in sorted(record, key=lambda each: each.received):
        if isinstance(entry, Undone):
            continue
        row = tables.deed(entry, f"jar:{name}", off)
        undone = off.get(entry.received)
        lines.append(
            {
                "at": parse_time(row["time"]), "text": row["text"], "counts": row["counts"],
                "why": "taken back" if undone is not None else "",
                "undo": row["received"] if row["counts"] else None,
                "again": iso(undone) if undone is not None else None,
            }
        )  # fmt: skip
    return sorted(lines, key=lambda line: line["at"], reverse=True)


# --- forms that were sent --------------------------------------------------------------------------------------------


async def tell_batch(ask: Ask) -> Response:
    """A form of a batch's page."""

    def plan(reader: Reader, state: State) -> Change:
        found = actions.find_batch(state, ask.path("name"))
        form = forms.named(forms.of_batch(state, found), ask.path("form"))
        return telling.told(form.deed(ask.fields), reader, state, ask)

    return await _sent(ask, plan, _batch, f"/batch/{ask.path('name')}")


async def tell_jar(ask: Ask) -> Response:
    """A form of a jar's page, or of the shelf."""

    def plan(reader: Reader, state: State) -> Change:
        found = _find_jar(state, ask.path("name"), ask.local.now_ms)
        shown = forms.of_jar(state, found)
        return telling.told(forms.named(shown, ask.path("form")).deed(ask.fields), reader, state, ask)

    return await _sent(ask, plan, _jar, f"/jar/{ask.path('name')}")


async def undo_batch(ask: Ask) -> Response:
    """An entry of a batch's history is taken back, or counts again."""
    return await _undone(ask, "batch", _batch)


async def undo_jar(ask: Ask) -> Response:
    """An entry about a jar is taken back, or counts again."""
    return await _undone(ask, "jar", _jar)


async def _undone(ask: Ask, kind: str, page: Callable[[Ask, Failed | None], Response]) -> Response:
    name = ask.path("name")

    def plan(_: Reader, state: State) -> Change:
        if kind == "batch" and "reading" in ask.fields:
            form = checked(actions.Undo, {"at": ask.fields["reading"]})
            return actions.undo_reading(state, name, form, ask.local.zone)
        of_ms = actions.moment(str(ask.fields.get("of", "")), ask.local.zone)
        own = {entry.received for entry in state.records.get(f"{kind}:{name}", ())}
        if of_ms not in own:
            raise BadRequest("that is not in this history", "load the page again")
        change = telling.undo(state, of_ms, ask)
        assert all(isinstance(item, Undone) for item in change.items)
        return change

    return await _sent(ask, plan, page, f"/{kind}/{name}", form="undo")


async def _sent(
    ask: Ask, plan: Callable[[Reader, State], Change], page: Callable[[Ask, Failed | None], Response], path: str,
    form: str | None = None,
) -> Response:  # fmt: skip
    """Do it and go back to the page; or show the page again, with what was typed and why it cannot be."""
    try:
        change, _ = await committed(ask, plan)
    except (Refusal, Refused) as error:
        failed = Failed(form or ask.path("form"), ask.fields, error.what, error.remedy, status_of(error))
        return await run_in_threadpool(page, ask, failed)
    return back_to(f"{path}?said={change.done}#history")


# --- photos --------------------------------------------------------------------------------------------------------


def photo(ask: Ask) -> Response:
    """A photo that some deed tells of, from the folder beside the store."""
    name = ask.path("file")
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    told = {getattr(entry, "file", None) for record in state.records.values() for entry in record}
    file = folder_of(ask.house.desk.path) / name
    if name not in told or not file.is_file():
        raise NotFound(f"there is no photo {name}", "the page of its batch lists them")
    headers = {"Cache-Control": "private, max-age=31536000, immutable", "X-Content-Type-Options": "nosniff"}
    return Response(file.read_bytes(), media_type=MEDIA[file.suffix[1:]], headers=headers)
