"""What each card and row of the page says, made of the picture of what stands."""

from __future__ import annotations

from typing import Any

from monitor.alerts.book import TITLES
from monitor.engine.state import State
from monitor.model.config import Probe
from monitor.model.quantities import QUANTITIES
from monitor.report.drawing import daily, drawing
from monitor.store.reader import Reader
from monitor.web.ways import Ask
from monitor.web.words import GLASS_PRESSURE, Local, finish, sentence, sg, sg_range, tell, waits_for


def _title(alert: dict[str, Any]) -> str:
    return f"{alert['about'].replace(':', ' ', 1)}: {TITLES[alert['alert']]}"


def alert_item(alert: dict[str, Any], standing: list[dict[str, Any]]) -> dict[str, Any]:
    """An alert of the list, with what it follows from and where the page helps."""
    name = alert["about"].partition(":")[2]
    cause = next((_title(each) for each in standing if each["id"] == alert["follows_from"]), "")
    # What a batch's card says in full is folded up in the list.
    on_card = alert["alert"].startswith("ferment-")
    enter = f"#enter-{name}" if alert["alert"] == "reading-due" else ""
    return {**alert, "title": _title(alert), "on_card": on_card, "enter": enter, "cause": cause}


# --- batches -------------------------------------------------------------------------------------------------------


def batch_card(ask: Ask, reader: Reader, state: State, told: dict[str, Any], batch: dict[str, Any]) -> dict[str, Any]:
    """A batch: its verdict in words, its figures and its drawing."""
    local = ask.local
    said = batch["judgement"] or {}
    done = finish(said, local) if batch["verdict"] in ("working", "slowing") else None
    card: dict[str, Any] = {
        "name": batch["name"],
        "vessel": batch["vessel"],
        "closed": batch["closed"],
        "told": tell(batch, told, local, ask.house.desk.settings.probe),
        "done": done,
        "facts": _facts(batch, said, local, guessed=state.batches[batch["name"]].expected_sd is None),
        "hand": batch["last_hand"],
        "stage": batch["stage"],
        "by_hand": not batch["gravity_probes"],
        "cautions": _cautions(batch, told),
        "drawing": None,
    }
    if not batch["closed"]:
        curve = ask.house.curves.whole(reader, state, state.batches[batch["name"]], local.now_ms)
        card["drawing"] = drawing(curve, batch["final"])
        card["daily"] = [(local.when(at), sg(gravity), _warm(warmth)) for at, gravity, warmth in daily(curve)]
        card["probes"] = list(dict.fromkeys(line.probe for line in curve.lines))
    return card


Fact = tuple[str, str, str]
AS_SET = "as you set it"  # as the rules name the source of a final gravity that a person gave


def _facts(batch: dict[str, Any], said: dict[str, Any], local: Local, *, guessed: bool) -> list[Fact]:
    """What is known in figures: name, value, and how well; `guessed`: nobody said how sure the expected final is."""
    facts = [_gravity(batch, said, local)]
    final = batch["final"]
    if final is not None:
        ours = "; the range is ours, as no expected_final_sd is set" if guessed and final["source"] == AS_SET else ""
        facts.append(("Should end at", sg(final["gravity"]), f"{sg_range(final['range'])}; {final['source']}{ours}"))
    strength = batch["alcohol"]
    if strength is not None:
        facts.append(
            ("Alcohol so far", f"{strength['abv']:.1f} % by volume",
             f"{sg_range(strength['abv_range'], 1)}, from {sg(batch['original']['gravity'])} to {sg(batch['gravity'])}")
        )  # fmt: skip
    warm = batch["temperature"]
    if warm is not None:
        stale = "" if warm["fresh"] else "last known, "
        facts.append(("Liquid", _warm(warm["value"]), f"{stale}{local.when(warm['time'])} by {warm['probe']}"))
    age = batch["age_hours"]
    span = f"{age / 24:.1f} days" if age >= 48 else f"{age:.0f} h"
    facts.append(("Since pitch", span if age >= 0 else "still to come", local.when(batch["pitched"])))
    return facts


def _gravity(batch: dict[str, Any], said: dict[str, Any], local: Local) -> Fact:
    value, span = batch["gravity"], said.get("gravity_range")
    if value is None:
        return ("Gravity", "not known", "no reading yet")
    half = (span[1] - span[0]) / 2.0 if span else None
    width = sg_range([value - half, value + half]) if half is not None else ""
    known = "Last known gravity" if batch["trouble"] or batch["verdict"] == "unknown" else "Gravity"
    return (known, sg(value), ", ".join(part for part in (width, local.when(batch["gravity_seen"])) if part))


def _cautions(batch: dict[str, Any], told: dict[str, Any]) -> list[str]:
    vessel = next((each for each in told["vessels"] if each["name"] == batch["vessel"]), None)
    return [sentence(GLASS_PRESSURE)] if vessel is not None and vessel["material"] == "glass" else []


def _warm(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}\N{NO-BREAK SPACE}°C"


# --- places and probes ---------------------------------------------------------------------------------------------


_FRIDGE_WORDS = {
    "fridge-door": "The door seems to stand open",
    "fridge-compressor": "It does not cool",
    "fridge-drift": "It is out of its band",
    "freeze-risk": "Something in it can freeze",
}


def fridge_card(fridge: dict[str, Any], told: dict[str, Any]) -> dict[str, Any]:
    """A fridge: how it is in a few words, and what stands in it."""
    materials = {each["name"]: each["material"] for each in told["vessels"]}
    alerts = [each for each in told["alerts"] if each["about"] == f"fridge:{fridge['name']}"]
    near = [each for each in fridge["contents"] if each["margin"] is not None and each["margin"] < 1.0]
    state, headline = "good", "In its usual cycle" if fridge["learned"] else "Cooling; still learning its cycle"
    if fridge["air"] is None:
        unread = any(each["place"] == f"fridge:{fridge['name']}" and each["unreadable"] for each in told["probes"])
        state, headline = "unknown", "Nothing that could be read yet" if unread else "Nothing heard yet"
    elif not fridge["fresh"]:
        state, headline = "unknown", "Not heard just now: what follows is what was last known"
    elif alerts:
        state, headline = "trouble", _FRIDGE_WORDS.get(alerts[0]["alert"], TITLES[alerts[0]["alert"]].capitalize())
    elif fridge["above_since"]:
        state, headline = "watching", "Warmer than its usual cycle; given time to come back, as after a defrost"
    return {
        **fridge,
        "state": state,
        "headline": headline,
        "near": near,
        "unheard": "" if fridge["air"] is not None else _fridge_waits(fridge["name"], told),
        "glass": any(materials.get(each["vessel"], "glass") == "glass" for each in fridge["contents"]),
    }


def _fridge_waits(name: str, told: dict[str, Any]) -> str:
    probes = [each for each in told["probes"] if each["place"] == f"fridge:{name}"]
    unread = [sentence(f"probe {each['name']} was {each['why']}") for each in probes if each["unreadable"]]
    if unread:
        return " ".join(unread)
    waits = " and ".join(each["name"] for each in probes)
    return f"Waiting for {waits}." if waits else "No probe sits in it: name one under its [[fridge]]."


def probe_row(probe: dict[str, Any], settings: list[Probe]) -> dict[str, Any]:
    """A probe: where it sits, and what it is waited for on while it was never heard."""
    place = (probe["place"] or "no place").replace(":", " ")
    return {
        **probe,
        "waits": waits_for(probe, settings),
        "place": place,
        "state": (probe["status"] or "never heard").replace(" ", "-"),
    }


def number(row: dict[str, Any]) -> str:
    """A value with the digits its quantity deserves."""
    return f"{row['value']:.{QUANTITIES[row['quantity']].decimals}f}"


def unit(row: dict[str, Any]) -> str:
    """Its unit as people write it."""
    told: str = row["unit"]
    return {"Cel": "°C", "1": "", "deg": "°", "0/1": "", "%RH": "%"}.get(told, told)


def unreadable_row(row: tuple[int, str, str, str, bytes]) -> dict[str, Any]:
    """A message that could not be read, cut to a line."""
    received, source, origin, reason, content = row
    shown = content[:120].decode("utf-8", "replace")
    return {"received": received, "source": source, "origin": origin, "reason": reason,
            "content": shown + ("…" if len(content) > 120 else "")}  # fmt: skip
