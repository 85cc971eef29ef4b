"""Labels for jugs and jars: what is in it, what to beware of, and a QR code that opens its page.

A label is laid out in millimetres. How wide words are is estimated for the widest of the usual fonts, so that they
fit in the others too; what does not fit makes the letters smaller, and below a readable size the label is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import segno

from monitor.batches.record import Record, counting
from monitor.batches.seal import closed
from monitor.batches.shelf import keeps
from monitor.engine.lives import life_of
from monitor.engine.state import State
from monitor.model.deeds import Harvested, JarDiscarded, Jarred
from monitor.model.errors import UsageError
from monitor.report.allergens import with_chitosan
from monitor.report.widths import width_of
from monitor.report.words import Site

MARGIN: Final = 2.0  # mm
LEAST_MODULE: Final = 0.33  # mm: a phone reads smaller squares only with luck (common practice, no source)
QUIET: Final = 4  # squares of white round a code, as ISO/IEC 18004 asks
SMALLEST: Final = 1.6  # mm: letters below it are not read at arm's length
CHITOSAN: Final = "With chitosan: may come from shellfish"
_SCALES: Final = (1.15, 1.0, 0.92, 0.84, 0.76, 0.68)


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says: lines of it, what to beware of, and what its code opens."""

    name: str
    what: str
    lines: tuple[str, ...]
    cautions: tuple[str, ...]
    code: str


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text at its place, mm."""

    x: float
    y: float
    size: float
    text: str
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Drawn:
    """A label laid out, mm; the code is a path in squares at `code_x`, `code_y`, each `module` wide."""

    label: Label
    width: float
    height: float
    words: tuple[Words, ...]
    rule_y: float
    code_path: str
    code_x: float
    code_y: float
    module: float
    squares: int


# --- what it says ------------------------------------------------------------------------------------------------


def label_for(state: State, name: str, now_ms: int, site: Site, public_url: str | None) -> list[Label]:
    """Labels for the batch or the jar of that name (for both, where both have it); UsageError where there is none."""
    found = []
    if name in state.batches:
        found.append(_batch(state, name, now_ms, site, _code("batch", name, public_url)))
    if f"jar:{name}" in state.records:
        found.append(_jar(state, name, site, _code("jar", name, public_url)))
    if not found:
        jars = [key[4:] for key in state.records if key.startswith("jar:")]
        known = f"batches: {', '.join(state.batches) or 'none yet'}; jars: {', '.join(jars) or 'none yet'}"
        raise UsageError(f'there is no batch and no jar "{name}"', known)
    return found


def _code(kind: str, name: str, public_url: str | None) -> str:
    return f"{public_url.rstrip('/')}/{kind}/{name}" if public_url else f"{kind} {name}"


def _batch(state: State, name: str, now_ms: int, site: Site, code: str) -> Label:
    life = life_of(state, name, now_ms, site.when)
    assert life is not None
    told = life.start
    what = " · ".join(["batch", *([f"recipe {told.recipe}"] if told is not None and told.recipe else [])])
    strength = life.strength
    lines = [f"pitched {site.day(life.facts.pitched_ms)}"]
    if strength is not None and strength.abv >= 0.05:
        lines.append(f"{strength.abv:.1f} % vol ({strength.abv_low:.1f}–{strength.abv_high:.1f})")
    else:
        lines.append("strength not known")
    if told is not None and told.yeast:
        lines.append(f"yeast {told.yeast}")
    lines.append(f"as of {site.day(now_ms)}")
    cautions = [_rating(state, name, life.facts.vessel)]
    if not life.facts.closed and life.facts.verdict != "finished" and life.facts.stage == "fermenting":
        cautions.append("Still at work: gas must get out")
    if with_chitosan(state.records, name):
        cautions.append(CHITOSAN)
    return Label(name, what, tuple(lines), tuple(cautions), code)


def _rating(state: State, name: str, vessel: str) -> str:
    sealed = closed(state.records.get(f"batch:{name}", ()))
    if sealed and sealed[-1].rated_bar is not None:
        return f"Rated {sealed[-1].rated_bar:g} bar by its maker"
    told = state.vessel(vessel)
    if told is not None and told.material == "steel":
        return "No pressure rating noted: no tight lid"
    return "Not rated for pressure: no tight lid"


def _jar(state: State, name: str, site: Site, code: str) -> Label:
    record = counting(state.records[f"jar:{name}"])
    jar = next((each for each in record if isinstance(each, Jarred) and each.jar == name), None)
    if jar is None:
        raise UsageError(
            f"jar {name} was never put up, or that was taken back", "leeswatch yeast shelf shows what there is"
        )
    if any(isinstance(each, JarDiscarded) for each in record):
        raise UsageError(f"jar {name} was discarded", "leeswatch yeast shelf shows what there is")
    practice = state.settings.practice.yeast
    unit = "g" if jar.grams is not None else "mL"
    held = f"{jar.layer_ml if jar.layer_ml is not None else jar.volume_ml:g} {unit}"
    best, discard = keeps(jar, practice)
    lines = [
        f"generation {jar.generation} · {held}",
        f"put up {site.day(jar.at)}",
        *([f"best by {site.day(best)}"] if best is not None else ["best by the date on its packet"]),
        *([f"discard {site.day(discard)}"] if discard is not None else []),
    ]
    low, high = practice.store_c
    cautions = ["Loose lid, not rated for pressure", f"Keep at {low:g}–{high:g} °C: ice bursts glass"]
    if _lees_with_chitosan(state.records, jar):
        cautions.append(CHITOSAN)
    return Label(name, f"yeast {jar.strain}", tuple(lines), tuple(cautions), code)


def _lees_with_chitosan(records: Mapping[str, Record], jar: Jarred) -> bool:
    if jar.wash is None:
        return False
    return any(
        isinstance(entry, Harvested) and with_chitosan(records, entry.batch, entry.at)
        for entry in counting(records.get(f"wash:{jar.wash}", ()))
    )


# --- where it stands ---------------------------------------------------------------------------------------------


def size_of(text: str) -> tuple[float, float]:
    """`62x38` in millimetres; UsageError otherwise."""
    parts = text.lower().replace("×", "x").split("x")
    try:
        width, height = (float(part.replace(",", ".")) for part in parts)
    except ValueError as error:
        raise UsageError(f"{text} is no size", "write width x height in mm, such as 62x38") from error
    if not (30 <= width <= 200 and 20 <= height <= 280):
        raise UsageError(f"a label of {width:g} x {height:g} mm cannot be", "from 30x20 to 200x280 mm it can")
    return width, height


def draw(label: Label, width: float, height: float) -> Drawn:
    """Lay a label out; UsageError where it is too small for what must be on it."""
    code = segno.make(label.code, error="m", micro=False, boost_error=False)
    squares = round(code.symbol_size(border=QUIET)[0])
    for scale in _SCALES:
        found = _layout(label, width, height, squares, scale * min(1.6, max(0.8, height / 38.0)))
        if found is not None:
            words, rule, side = found
            path = _path(code)
            return Drawn(
                label, width, height, words, rule, path, round(width - MARGIN - side, 3), MARGIN,
                round(side / squares, 4), squares,
            )  # fmt: skip
    raise UsageError(
        f"a label of {width:g} x {height:g} mm is too small for {label.name}",
        "choose a larger one, such as --size 62x38",
    )


def _layout(
    label: Label, width: float, height: float, squares: int, scale: float
) -> tuple[tuple[Words, ...], float, float] | None:
    """Words, the y of the rule above the cautions, and the side of the code; None where they do not fit."""
    small, usual = 2.15 * scale, 2.5 * scale
    if small < SMALLEST:
        return None
    warned: list[tuple[str, bool]] = []
    for caution in label.cautions:
        lines = _wrapped(caution, width - 2 * MARGIN - small, small, bold=True)
        warned += [(line, index == 0) for index, line in enumerate(lines)]
    rule = height - MARGIN - len(warned) * small * 1.25 - 0.8
    side = min(rule - MARGIN - 0.6, 0.42 * width)
    if side / squares < LEAST_MODULE:
        return None
    room = width - 3 * MARGIN - side + QUIET * side / squares * 0.5
    words: list[Words] = []
    y = MARGIN
    big = max(usual, min(4.6 * scale, 0.999 * room / width_of(label.name, 1.0, bold=True)))
    names = _wrapped(label.name, room, big, bold=True)
    for each in names:
        y += big
        words.append(Words(MARGIN, y, big, each, bold=True))
    y += 0.5 * scale
    for line in (label.what, *label.lines):
        for each in _wrapped(line, room, usual):
            y += usual * 1.22
            words.append(Words(MARGIN, y, usual, each))
    if y > rule - 0.8:
        return None
    y = rule + 0.5
    for text, first in warned:
        y += small * 1.25
        if first:
            words.append(Words(MARGIN, y, small, "!", bold=True))
        words.append(Words(MARGIN + small, y, small, text, bold=True))
    return tuple(words), rule, side


def _wrapped(text: str, room: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines that fit; a word that is too long by itself is broken."""
    lines = [""]
    for word in text.split():
        joined = f"{lines[-1]} {word}".strip()
        if width_of(joined, size, bold=bold) <= room:
            lines[-1] = joined
            continue
        lines += [""] if lines[-1] else []
        for letter in word:
            if width_of(lines[-1] + letter, size, bold=bold) > room and lines[-1]:
                lines.append("")
            lines[-1] += letter
    return lines


def _path(code: segno.QRCode) -> str:
    """The dark squares as one path, row by row."""
    pieces = []
    for y, row in enumerate(code.matrix_iter(border=QUIET)):
        start = None
        for x, dark in enumerate([*row, 0]):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                pieces.append(f"M{start} {y}h{x - start}v1h{start - x}z")
                start = None
    return "".join(pieces)
