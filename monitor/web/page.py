"""The page for people: made whole on the server, so that it works without a script."""

from __future__ import annotations

from typing import Any

from starlette.responses import RedirectResponse, Response

from monitor.rules.advice import CO2_CAUTION, SEAL_CAUTION
from monitor.web import cards
from monitor.web.desk import HealthReport
from monitor.web.guard import COOKIE
from monitor.web.look import load, picture, reading
from monitor.web.refusal import NotFound, SlowDown
from monitor.web.ways import Ask, back_to, give_cookie, peer_of
from monitor.web.words import GLASS_ICE, GLASS_PRESSURE, sentence

SAID = {
    "started": "The batch is watched from now on.",
    "moved": "The batch is in its new stage.",
    "added": "The addition is noted: strength and verdict are reckoned anew.",
    "closed": "The batch is over. Its record stays.",
    "acknowledged": "Acknowledged: you will not be reminded of it.",
    "shelved": "Set aside: it comes back by itself if it still stands then.",
    "done": "Marked as done.",
    "read": "The reading is in.",
    "undone": "The reading was taken back. It stays in the life of its batch, where it can count again.",
}
UNREADABLE_SHOWN = 10


def home(ask: Ask) -> Response:
    """Everything that stands, on one page."""
    house, local = ask.house, ask.local
    if ask.session is None and house.guard.free:
        ask.session, ask.fresh = house.guard.open(), True
    report = house.desk.health()
    with reading(house.desk.path) as reader:
        state = load(reader)
        told = picture(reader, state, local.now_ms, house.desk.settings.probe)
        batches = [cards.batch_card(ask, reader, state, told, batch) for batch in told["batches"]]
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
        alerts=[cards.alert_item(each, told["alerts"]) for each in told["alerts"]],
        cards=[card for card in batches if not card["closed"]],
        past=[card for card in batches if card["closed"]],
        free=[each["name"] for each in told["vessels"] if each["batch"] is None],
        fridges=[cards.fridge_card(each, told) for each in told["fridges"]],
        rooms=[each for each in told["rooms"] if each["temperature"]],
        probes=[cards.probe_row(each, house.desk.settings.probe) for each in told["probes"] if not each["by_hand"]],
        unreadable=[cards.unreadable_row(row) for row in unreadable],
        report=report,
        waiting=waiting,
        last_commit=_last_commit(ask, report),
        sentence=sentence,
        words={"number": cards.number, "unit": cards.unit},
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
