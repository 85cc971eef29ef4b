from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from monitor.model.clock import DAY, HOUR, SECOND, ManualClock
from monitor.model.errors import LeeswatchError
from monitor.web.guard import PEERS_KEPT, SESSIONS_KEPT, Brake, Guard, PasswordFile, is_loopback
from monitor.web.refusal import SlowDown
from monitor.web.server import WebServer
from tests.web.cellar import House
from tests.web.conftest import client_of

Serve = Callable[..., House]
SECRET = "barley and rain"


@pytest.fixture
def password(tmp_path: Path) -> Path:
    path = tmp_path / "page-password"
    path.write_text(f"{SECRET}\n")
    return path


@pytest.fixture
def locked(serve: Serve, password: Path) -> House:
    """A page that asks for a password."""
    return serve(clock=ManualClock(0, 10_000_000), password_file=password)


@pytest.fixture
def stranger(locked: House) -> Iterator[httpx.Client]:
    with client_of(locked) as client:
        yield client


# --- free on loopback ----------------------------------------------------------------------------------------------


def test_a_session_comes_with_the_page(still: Serve):
    """On loopback without a password the page gives a session: same-site, out of reach of scripts, with a token."""
    with client_of(still()) as client:
        answer = client.get("/")
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert "Path=/" in cookie
        assert 'name="csrf"' in answer.text
        assert "set-cookie" not in client.get("/").headers


def test_programs_that_only_read_get_no_session(still: Serve, visitor: httpx.Client):
    """Reading the API on loopback needs no session and leaves none behind."""
    assert "set-cookie" not in visitor.get("/api/overview").headers
    assert still().app.state.house.guard.session("made up") is None


def test_a_change_without_a_session_is_refused(visitor: httpx.Client):
    """A change needs a session, even where reading needs none."""
    answer = visitor.post("/api/alerts/x/acknowledge")
    assert answer.status_code == 401
    assert "/api/session" in answer.json()["remedy"]


@pytest.mark.parametrize("token", [None, "", "wrong", "ü"])
def test_a_change_with_another_token_is_refused(visitor: httpx.Client, token: str | None):
    """The cookie alone is not enough: a page elsewhere may have had the browser send it."""
    visitor.get("/")
    data = {} if token is None else {"csrf": token}
    answer = visitor.post("/api/alerts/x/acknowledge", json=data)
    assert answer.status_code == 403
    form = visitor.post("/api/alerts/x/acknowledge", data=data or {"a": "b"})
    assert form.status_code == 403
    assert "out of date" in form.text


def test_the_token_of_another_session_is_refused(still: Serve):
    """Each session has a token of its own."""
    with client_of(still()) as one, client_of(still()) as other:
        theirs = one.get("/api/session").json()["csrf"]
        other.get("/")
        assert other.post("/api/alerts/x/acknowledge", headers={"X-CSRF-Token": theirs}).status_code == 403


@pytest.mark.parametrize("name", ["evil.example", "evil.example:8650", "127.0.0.1.evil.example", "", "localhost.evil"])
def test_names_of_elsewhere_are_refused(visitor: httpx.Client, name: str):
    """A page elsewhere whose name was pointed at this machine reads nothing and changes nothing."""
    for path in ("/", "/api/overview", "/healthz", "/api/session"):
        answer = visitor.get(path, headers={"Host": name})
        assert answer.status_code == 421
        assert "set-cookie" not in answer.headers


@pytest.mark.parametrize(
    "name", ["localhost", "LOCALHOST:80", "127.0.0.1:8650", "192.168.1.7", "[::1]:8650", "[fe80::1]"]
)
def test_names_of_here_are_known(visitor: httpx.Client, name: str):
    """Loopback names and plain addresses are this machine."""
    assert visitor.get("/healthz", headers={"Host": name}).status_code == 200


def test_configured_name_and_own_name_are_known(monkeypatch: pytest.MonkeyPatch):
    """The names in [web] and the machine's own name, with .local, are known too."""
    monkeypatch.setattr("socket.gethostname", lambda: "Cellar-Pi")
    guard = Guard("wine.lan", None, ManualClock(0))
    for name in ("wine.lan", "wine.lan.:80", "cellar-pi", "cellar-pi.local:8650"):
        assert guard.knows_host(name)
    assert not guard.knows_host("other.lan")
    assert Guard("127.0.0.1", None, ManualClock(0), public_url="https://cellar.lan:8443/").knows_host("cellar.lan:8443")


def test_every_answer_carries_the_safety_headers(visitor: httpx.Client):
    """Pages, JSON, errors and files all forbid inline script, framing and sniffing, and say what may be kept."""
    for path in ("/", "/api/overview", "/none", "/static/page.js", "/healthz"):
        headers = visitor.get(path).headers
        assert "script-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
    assert visitor.get("/api/overview").headers["cache-control"] == "no-store"
    assert "immutable" in visitor.get("/static/page.js").headers["cache-control"]
    assert "server" not in visitor.get("/").headers


# --- with a password -----------------------------------------------------------------------------------------------


def test_strangers_see_the_sign_in_form_only(stranger: httpx.Client):
    """With a password set, the page leads to the form and the API asks for a token."""
    page = stranger.get("/")
    assert (page.status_code, page.headers["location"]) == (303, "/login")
    assert "Password" in stranger.get("/login").text
    for path in ("/api/overview", "/api/events", "/api/openapi.json", "/api/session", "/api/unreadable"):
        answer = stranger.get(path)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert "meadow" not in answer.text


def test_the_password_opens_a_session(stranger: httpx.Client):
    """The right password gives a session that reads and, with its token, changes; signing out ends it."""
    answer = stranger.post("/login", data={"password": SECRET})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "meadow-north" in stranger.get("/").text
    token = {"X-CSRF-Token": stranger.get("/api/session").json()["csrf"]}
    assert stranger.post("/api/alerts/x/acknowledge", headers=token).status_code == 404
    kept = stranger.cookies["leeswatch_session"]
    assert stranger.post("/logout", headers=token).headers["location"] == "/login"
    assert stranger.get("/", headers={"Cookie": f"leeswatch_session={kept}"}).status_code == 303


def test_a_wrong_password_is_refused_slower_and_slower(locked: House, stranger: httpx.Client):
    """After three wrong ones an address waits, and the right one does not help before the wait is over."""
    for _ in range(3):
        assert stranger.post("/login", data={"password": "guess"}).status_code == 401
    waits = stranger.post("/login", data={"password": SECRET})
    assert waits.status_code == 429
    assert waits.headers["retry-after"] == "1"
    assert "wait 1 s" in waits.text
    clock = locked.app.state.house.guard._clock
    clock.advance(SECOND)
    assert stranger.post("/login", data={"password": "guess"}).status_code == 401
    clock.advance(SECOND)
    assert stranger.post("/login", data={"password": SECRET}).status_code == 429
    clock.advance(SECOND)
    assert stranger.post("/login", data={"password": SECRET}).status_code == 303


def test_the_token_serves_programs(stranger: httpx.Client):
    """The content of the password file as a bearer token reads and changes, without a CSRF token."""
    bearer = {"Authorization": f"Bearer {SECRET}"}
    told = stranger.get("/api/alerts", headers=bearer).json()["standing"]
    answer = stranger.post(f"/api/alerts/{told[0]['id']}/acknowledge", headers=bearer)
    assert answer.status_code == 200
    assert stranger.get("/", headers=bearer).status_code == 303  # pages are for people


def test_wrong_tokens_count_as_wrong_passwords(stranger: httpx.Client):
    """Guessing tokens is slowed down like guessing passwords."""
    wrong = {"Authorization": "Bearer guess"}
    codes = [stranger.get("/api/overview", headers=wrong).status_code for _ in range(4)]
    assert codes == [401, 401, 401, 429]


def test_a_new_password_ends_the_sessions_of_the_old(stranger: httpx.Client, password: Path):
    """The file is read again when it changes, and whoever signed in before has to sign in again."""
    stranger.post("/login", data={"password": SECRET})
    assert stranger.get("/").status_code == 200
    password.write_text("quite another\n")
    assert stranger.get("/").status_code == 303
    assert stranger.post("/login", data={"password": SECRET}).status_code == 401
    assert stranger.post("/login", data={"password": "quite another"}).status_code == 303


@pytest.mark.parametrize("content", [None, "", "  \n"])
def test_without_a_password_in_the_file_nobody_gets_in(stranger: httpx.Client, password: Path, content: str | None):
    """A missing or empty file locks everyone out, and the form says so."""
    stranger.post("/login", data={"password": SECRET})
    if content is None:
        password.unlink()
    else:
        password.write_text(content)
    assert stranger.get("/").status_code == 303
    answer = stranger.post("/login", data={"password": content or ""})
    assert answer.status_code == 503
    assert "missing or empty" in answer.text
    assert stranger.get("/api/overview", headers={"Authorization": "Bearer"}).status_code == 401


def test_health_and_metrics_are_open_on_loopback_even_with_a_password(stranger: httpx.Client):
    """A supervisor on this machine asks after the health without a password."""
    assert stranger.get("/healthz").status_code == 200
    assert stranger.get("/metrics").status_code == 200


def test_beyond_loopback_health_needs_the_token(serve: Serve, password: Path):
    """When the network can reach it, health and metrics ask for the token as everything else does."""
    house = serve(host="0.0.0.0", password_file=password)
    for path in ("/healthz", "/metrics"):
        with client_of(house) as program:
            assert program.get(path).status_code == 401
            assert program.get(path, headers={"Authorization": f"Bearer {SECRET}"}).status_code == 200


# --- the parts -----------------------------------------------------------------------------------------------------


def test_sessions_are_bounded_and_idle_out():
    """The oldest session goes when there are too many, and one that idles for 30 days is over."""
    clock = ManualClock(0)
    guard = Guard("127.0.0.1", None, clock)
    first = guard.open()
    for _ in range(SESSIONS_KEPT):
        last = guard.open()
    assert guard.session(first.token) is None
    clock.advance(20 * DAY)
    assert guard.session(last.token) is last
    clock.advance(30 * DAY)
    assert guard.session(last.token) is last
    clock.advance(30 * DAY + 1)
    assert guard.session(last.token) is None


def test_brake_doubles_up_to_five_minutes_and_forgets():
    """The wait doubles with each failure, ends at five minutes, and is forgotten after an hour of peace."""
    clock = ManualClock(0, 1_000_000)
    brake = Brake(clock)
    waits = []
    for _ in range(15):
        brake.failed("10.0.0.7")
        try:
            brake.check("10.0.0.7")
            waits.append(0)
        except SlowDown as wait:
            waits.append(int(wait.headers["Retry-After"]))
            clock.advance(waits[-1] * SECOND)
            brake.check("10.0.0.7")
    assert waits[:6] == [0, 0, 1, 2, 4, 8]
    assert waits[-1] == 300
    brake.failed("10.0.0.7")
    clock.advance(HOUR + 1)
    brake.check("10.0.0.7")


def test_brake_takes_an_ipv6_network_as_one_and_is_bounded():
    """Changing the address inside one's own network does not help, and many addresses do not fill the memory."""
    clock = ManualClock(0, 1_000_000)
    brake = Brake(clock)
    for number in range(3):
        brake.failed(f"2001:db8::{number:x}")
    with pytest.raises(SlowDown):
        brake.check("2001:db8::ffff")
    brake.check("2001:db8:0:1::1")
    for number in range(2 * PEERS_KEPT):
        brake.failed(f"10.1.{number // 250}.{number % 250}")
    assert len(brake._peers) == PEERS_KEPT


def test_password_file_matches_its_line_only(tmp_path: Path):
    """Spaces and line ends around the line do not matter; anything else does."""
    path = tmp_path / "p"
    path.write_text("  sécret\n")
    file = PasswordFile(path)
    assert file.matches("sécret")
    assert not file.matches("secret")
    assert not file.matches("")
    assert not PasswordFile(None).matches("")


@pytest.mark.parametrize(
    ("host", "told"),
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("pi.lan", False),
    ],
)
def test_loopback_is_told_apart(host: str, told: bool):
    """Only this machine's own addresses are loopback."""
    assert is_loopback(host) is told


def test_a_port_in_use_is_said_with_a_remedy(house: House):
    """A port that cannot be had is an error with what to do, not a dead thread."""
    server = WebServer(house.app, "127.0.0.1", house.server.port)
    with pytest.raises(LeeswatchError, match=r"cannot listen on 127\.0\.0\.1:.*name another host or port"):
        server.start()
