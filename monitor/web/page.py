"""The page for people: made whole on the server, so that it works without a script."""

from __future__ import annotations

from typing import Any

from starlette.responses import RedirectResponse, Response

from monitor.alerts.book import TITLES
from monitor.engine.state import State
from monitor.model.config import Probe
from monitor.model.quantities import QUANTITIES
from monitor.rules.advice import CO2_CAUTION, SEAL_CAUTION
from monitor.store.reader import Reader
from monitor.web.desk import HealthReport
from monitor.web.drawing import daily, drawing
from monitor.web.guard import COOKIE
from monitor.web.look import load, picture, reading
from monitor.web.refusal import NotFound, SlowDown
from monitor.web.ways import Ask, back_to, give_cookie, peer_of
from monitor.web.words import Local, finish, sentence, sg, sg_range, tell

SAID = {
    "started": "The batch is watched from now on.",
    "moved": "The batch is in its new stage.",
    "added": "The addition is noted: strength and verdict are reckoned anew.",
    "closed": "The batch is over. Its record stays.",
    "acknowledged": "Acknowledged: you will not be reminded of it.",
    "shelved": "Set aside: it comes back by itself if it still stands then.",
    "done": "Marked as done.",
    "read": "The reading is in.",
    "undone": "The reading was taken back.",
}
UNREADABLE_SHOWN = 10
GLASS_ICE = "ice bursts glass: keep glass out of any place that can freeze what is in it"
GLASS_PRESSURE = "a glass jug or jar is never rated for pressure: keep an airlock on it, or its lid loose"


def home(ask: Ask) -> Response:
    """Everything that stands, on one page."""
    house, local = ask.house, ask.local
    if ask.session is None and house.guard.free:
        ask.session, ask.fresh = house.guard.open(), True
    report = house.desk.health()
    with reading(house.desk.path) as reader:
        state = load(reader)
        told = picture(reader, state, local.now_ms)
        cards = [_card(ask, reader, state, told, batch) for batch in told["batches"]]
        unreadable = reader.unreadable(UNREADABLE_SHOWN)
        waiting = reader.waiting()
    return house.pages.render(
        "page.html",
        site=house.desk.settings.site.name,
        local=local,
        summary=_summary(told["alerts"]),
        said=SAID.get(ask.query("said") or ""),
        csrf=ask.session.csrf if ask.session else "",
        may_leave=not house.guard.free,
        alerts=[_alert(each, told["alerts"]) for each in told["alerts"]],
        cards=[card for card in cards if not card["closed"]],
        past=[card for card in cards if card["closed"]],
        free=[each["name"] for each in told["vessels"] if each["batch"] is None],
        fridges=[_fridge(each, told) for each in told["fridges"]],
        rooms=[each for each in told["rooms"] if each["temperature"]],
        probes=[_probe(each, house.desk.settings.probe) for each in told["probes"] if not each["by_hand"]],
        unreadable=[_unreadable(row) for row in unreadable],
        report=report,
        waiting=waiting,
        last_commit=_last_commit(ask, report),
        sentence=sentence,
        words={"number": number, "unit": unit},
        cautions=[sentence(each) for each in (CO2_CAUTION, SEAL_CAUTION, GLASS_PRESSURE, GLASS_ICE)],
    )


def _last_commit(ask: Ask, report: HealthReport) -> str:
    last = report.writer.last_commit_mono_ms
    clock = ask.house.desk.clock
    if last is None:
        return "nothing was committed yet"
    return f"the last commit was {ask.local.ago(ask.local.now_ms - (clock.mono_ms() - last))}"


def _summary(alerts: list[dict[str, Any]]) -> str:
    """The one line to read when there is time for one line."""
    fresh = [each for each in alerts if each["state"] == "unacknowledged"]
    if not fresh:
        rest = len(alerts)
        seen = f" {rest} alert{'s' if rest > 1 else ''} you have seen still stand{'' if rest > 1 else 's'}."
        return f"Nothing new needs you.{seen if rest else ''}"
    counts = [(level, sum(each["priority"] == level for each in fresh)) for level in ("high", "medium", "low")]
    told = ", ".join(f"{count} {level}" for level, count in counts if count)
    return f"{len(fresh)} alert{'s' if len(fresh) > 1 else ''} to look at: {told}."


def _title(alert: dict[str, Any]) -> str:
    return f"{alert['about'].replace(':', ' ', 1)}: {TITLES[alert['alert']]}"


def _alert(alert: dict[str, Any], standing: list[dict[str, Any]]) -> dict[str, Any]:
    name = alert["about"].partition(":")[2]
    cause = next((_title(each) for each in standing if each["id"] == alert["follows_from"]), "")
    # What a batch's card says in full is folded up in the list.
    on_card = alert["alert"].startswith("ferment-")
    enter = f"#enter-{name}" if alert["alert"] == "reading-due" else ""
    return {**alert, "title": _title(alert), "on_card": on_card, "enter": enter, "cause": cause}


# --- batches -------------------------------------------------------------------------------------------------------


def _card(ask: Ask, reader: Reader, state: State, told: dict[str, Any], batch: dict[str, Any]) -> dict[str, Any]:
    local = ask.local
    about = [each for each in told["alerts"] if each["about"] == f"batch:{batch['name']}"]
    said = batch["judgement"] or {}
    done = finish(said, local) if batch["verdict"] in ("working", "slowing") else None
    card: dict[str, Any] = {
        "name": batch["name"],
        "vessel": batch["vessel"],
        "closed": batch["closed"],
        "told": tell(batch, about, local, _waits(batch, told, ask.house.desk.settings.probe)),
        "done": done,
        "facts": _facts(batch, said, local),
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


def _facts(batch: dict[str, Any], said: dict[str, Any], local: Local) -> list[Fact]:
    """What is known in figures: name, value, and how well."""
    facts = [_gravity(batch, said, local)]
    final = batch["final"]
    if final is not None:
        facts.append(("Should end at", sg(final["gravity"]), f"{sg_range(final['range'])}; {final['source']}"))
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


def _waits(batch: dict[str, Any], told: dict[str, Any], settings: list[Probe]) -> tuple[str, ...]:
    """Why there is nothing to say of a batch yet."""
    place = f"vessel:{batch['vessel']}"
    probes = [each for each in told["probes"] if each["place"] == place and not each["by_hand"]]
    if not probes:
        return ("no probe sits in its vessel, so it lives on hydrometer readings",)
    return tuple(
        f"probe {each['name']} was not heard yet{waits and f': {waits}'}"
        for each in probes
        if (waits := _waits_for(each, settings)) or not each["heard"]
    ) or ("too little was heard of it yet",)


def _waits_for(probe: dict[str, Any], settings: list[Probe]) -> str:
    """What a probe that was never heard is waited for on; empty once it was heard."""
    told = next((each for each in settings if each.name == probe["name"]), None)
    if probe["heard"] or told is None:
        return ""
    return {
        "mqtt": f"waiting for topic {told.topic}",
        "serial": f"waiting for port {told.port}",
        "onewire": f"waiting for device {told.device}",
    }.get(told.source, "waiting for a first reading")


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


def _fridge(fridge: dict[str, Any], told: dict[str, Any]) -> dict[str, Any]:
    materials = {each["name"]: each["material"] for each in told["vessels"]}
    alerts = [each for each in told["alerts"] if each["about"] == f"fridge:{fridge['name']}"]
    near = [each for each in fridge["contents"] if each["margin"] is not None and each["margin"] < 1.0]
    state, headline = "good", "In its usual cycle" if fridge["learned"] else "Cooling; still learning its cycle"
    if fridge["air"] is None:
        state, headline = "unknown", "Nothing heard yet"
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
        "glass": any(materials.get(each["vessel"]) == "glass" for each in fridge["contents"]),
    }


def _fridge_waits(name: str, told: dict[str, Any]) -> str:
    probes = [each["name"] for each in told["probes"] if each["place"] == f"fridge:{name}"]
    return f"Waiting for {' and '.join(probes)}." if probes else "No probe sits in it: name one under its [[fridge]]."


def _probe(probe: dict[str, Any], settings: list[Probe]) -> dict[str, Any]:
    place = (probe["place"] or "no place").replace(":", " ")
    return {
        **probe,
        "waits": _waits_for(probe, settings),
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


def _unreadable(row: tuple[int, str, str, str, bytes]) -> dict[str, Any]:
    received, source, origin, reason, content = row
    shown = content[:120].decode("utf-8", "replace")
    return {"received": received, "source": source, "origin": origin, "reason": reason,
            "content": shown + ("…" if len(content) > 120 else "")}  # fmt: skip


# --- signing in ----------------------------------------------------------------------------------------------------


def login(ask: Ask) -> Response:
    """The form; those who need none are sent on."""
    if ask.house.guard.free or ask.session is not None:
        return RedirectResponse("/", 303)
    return _login_form(ask, 200, "")


def _login_form(ask: Ask, status: int, wrong: str) -> Response:
    guard = ask.house.guard
    if guard.password.digest() is None:
        status = 503
        wrong = "The password file is missing or empty, so nobody can sign in. Put one line into it, then try again."
    return ask.house.pages.render("login.html", status, site=ask.house.desk.settings.site.name, wrong=wrong)


def sign_in(ask: Ask) -> Response:
    """Check the password; a wrong one is told after a while only."""
    guard = ask.house.guard
    if guard.free:
        return RedirectResponse("/", 303)
    given = ask.fields.get("password", "")
    try:
        right = guard.try_password(given if isinstance(given, str) else "", peer_of(ask.request))
    except SlowDown as error:
        answer = _login_form(ask, error.status, sentence(f"{error.what}: {error.remedy}"))
        answer.headers.update(error.headers)
        return answer
    if not right:
        return _login_form(ask, 401, "That is not the password.")
    answer = RedirectResponse("/", 303)
    give_cookie(answer, guard.open())
    return answer


def sign_out(ask: Ask) -> Response:
    """End the session."""
    if ask.session is not None:
        ask.house.guard.close(ask.session.token)
    answer = back_to("/login")
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return answer


def static(ask: Ask) -> Response:
    """The style, the script and the mark."""
    found = ask.house.pages.file(ask.path("file"))
    if found is None:
        raise NotFound("there is no such file", "start at /")
    return found
