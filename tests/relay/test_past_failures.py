"""When a server cannot be read back from: each failure is a sentence that says what to do, and none looks like data."""

from __future__ import annotations

import contextlib
import http.server
import json
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.model.config import Relay
from monitor.model.errors import RelayError
from monitor.model.inputs import Reading
from monitor.relay.past import Past, past_of
from tests.relay.servers import Served, free_port

SITE = "Cellar"
LINE = {
    "metric": {"__name__": "leeswatch_reading_value", "probe": "p", "quantity": "ph", "site": SITE},
    "values": [5], "timestamps": [1_772_474_400_000],
}  # fmt: skip
CHUNK = {
    "results": [{"statement_id": 0, "series": [{
        "name": "leeswatch_reading", "tags": {"probe": "p", "quantity": "ph", "place": "", "batch": ""},
        "columns": ["time", "value", "received_ms", "bits_high", "bits_low"],
        "values": [[1_772_474_400_000, 4.5, 1_772_474_400_001, None, None]],
    }]}]
}  # fmt: skip
WHOLE = {"export": json.dumps(LINE) + "\n", "influxql": json.dumps(CHUNK) + "\n"}


class Scripted:
    """A server that answers every question with what `say` writes; `/ping` like the kind that is played."""

    def __init__(self, kind: str) -> None:
        self.say: Callable[[http.server.BaseHTTPRequestHandler], None] = lambda _: None
        self.asked: list[http.server.BaseHTTPRequestHandler] = []
        self.released = threading.Event()
        script = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                script.asked.append(self)
                if self.path == "/ping":
                    self.send_response(204)
                    if kind == "influxql":
                        self.send_header("X-Influxdb-Version", "v2.7.1")
                    self.end_headers()
                else:
                    script.say(self)

            def log_message(self, *_: object) -> None:
                pass

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def answers(self, status: int, body: str, **headers: str) -> None:
        """Say this, whole."""

        def say(ask: http.server.BaseHTTPRequestHandler) -> None:
            ask.send_response(status)
            for name, value in headers.items():
                ask.send_header(name, value)
            ask.send_header("Content-Length", str(len(body.encode())))
            ask.end_headers()
            ask.wfile.write(body.encode())

        self.say = say

    def begins(self, body: str, then: Callable[[], object] = lambda: None) -> None:
        """Say this as the first piece of an answer, then do something, then hang up without an end."""

        def say(ask: http.server.BaseHTTPRequestHandler) -> None:
            ask.send_response(200)
            ask.send_header("Transfer-Encoding", "chunked")
            ask.end_headers()
            ask.wfile.write(b"%x\r\n%s\r\n" % (len(body.encode()), body.encode()))
            ask.wfile.flush()
            then()
            ask.close_connection = True

        self.say = say

    def close(self) -> None:
        self.released.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture(params=["export", "influxql"])
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def scripted(kind: str) -> Iterator[Scripted]:
    script = Scripted(kind)
    yield script
    script.close()


@pytest.fixture
def past(scripted: Scripted) -> Iterator[Past]:
    with past_of(Relay(url=scripted.url, timeout=0.3), patience=0.3) as found:
        yield found


def failure(past: Past) -> str:
    """What is told, by whichever question."""
    words = set()
    for ask in (lambda: list(past.readings(SITE)), lambda: past.journal(SITE), lambda: past.gaps(SITE)):
        with pytest.raises(RelayError) as told:
            ask()
        words.add(str(told.value))
    assert len(words) == 1
    return words.pop()


def test_a_good_answer_is_read(scripted, past: Past, kind) -> None:
    """What the failures below are measured against."""
    scripted.answers(200, WHOLE["influxql"] if kind == "influxql" else "")
    assert len(list(past.readings(SITE))) == (1 if kind == "influxql" else 0)


def test_a_page_of_html_is_no_answer(scripted, past: Past) -> None:
    scripted.answers(200, "<html><body>It works!</body></html>\n")
    assert failure(past) == (
        f"what {scripted.url} answered is no JSON: <html><body>It works!</body></html>; "
        "check [relay].url, and [relay].reads: it says how the server is read"
    )


@pytest.mark.parametrize("body", ["{}", "[1, 2]", "17", '{"results": 3}', '{"metric": {}, "values": [1]}'])
def test_json_of_another_kind_is_no_answer(scripted, past: Past, body) -> None:
    scripted.answers(200, body + "\n")
    assert "check [relay].url, and [relay].reads" in failure(past)


@pytest.mark.parametrize("odd", ["warm", {}, [4.5], 1 << 80, None])
def test_a_value_that_is_no_number_is_left_out_or_the_answer_is_none(scripted, past: Past, kind, odd) -> None:
    """In whichever place: it never comes out as a reading."""
    for place in range(5):
        whole = json.loads(WHOLE["influxql"])
        row = whole["results"][0]["series"][0]["values"][0]
        row[place] = odd
        if odd is None and place > 2:
            continue  # no bits are no bits
        lines = _as_lines(row) if kind == "export" else [whole]
        scripted.answers(200, "".join(f"{json.dumps(line)}\n" for line in lines))
        found: list[Reading] = []
        with contextlib.suppress(RelayError):
            found = list(past.readings(SITE))
        assert found == []


def _as_lines(row: list[object]) -> list[object]:
    """The same point as the export API tells it."""
    names = ("value", "received_ms", "bits_high", "bits_low")
    return [
        {**LINE, "metric": {**LINE["metric"], "__name__": f"leeswatch_reading_{name}"}, "values": [value],
         "timestamps": [row[0]]}
        for name, value in zip(names, row[1:], strict=True) if value is not None
    ]  # fmt: skip


def test_an_answer_that_breaks_off_between_two_lines_is_no_answer(scripted, past: Past, kind) -> None:
    scripted.begins(WHOLE[kind])
    told = failure(past)
    assert told.startswith(f"the answer of {scripted.url} broke off in the middle (")
    assert told.endswith("; read it again")


def test_an_answer_that_ends_in_the_middle_of_a_line_is_no_answer(scripted, past: Past, kind) -> None:
    """Even where the connection was ended in good order."""
    scripted.answers(200, WHOLE[kind] + WHOLE[kind][:40])
    assert "broke off in the middle" in failure(past)


def test_an_answer_shorter_than_it_said_is_no_answer(scripted, past: Past, kind) -> None:
    def say(ask) -> None:
        ask.send_response(200)
        ask.send_header("Content-Length", "1000000")
        ask.end_headers()
        ask.wfile.write(WHOLE[kind].encode())
        ask.close_connection = True

    scripted.say = say
    assert "broke off in the middle" in failure(past)


def test_a_server_that_falls_silent_in_the_middle_is_given_up(scripted, past: Past, kind) -> None:
    scripted.begins(WHOLE[kind], lambda: scripted.released.wait(30.0))
    assert failure(past) == (
        f"{scripted.url} said no more in the middle of its answer; try again; where it goes on, ask for a shorter time"
    )


def test_a_server_that_never_answers_is_given_up(scripted, past: Past) -> None:
    scripted.say = lambda _: scripted.released.wait(30.0)
    assert failure(past) == (
        f"{scripted.url} does not answer in time; check that it runs and is not overloaded, try again"
    )


@pytest.mark.parametrize(
    ("status", "body", "told"),
    [
        (401, '{"code":"unauthorized","message":"unauthorized access"}',
         "answered 401: unauthorized access; [relay].token_file must hold a token that may read bucket leeswatch"),
        (403, "", "; [relay].token_file must hold a token that may read bucket leeswatch"),
        (404, '{"code":"not found","message":"failed to find bucket"}',
         "answered 404: failed to find bucket; check [relay].url, that there is a bucket leeswatch, and [relay].reads"),
        (400, '{"error":"error parsing query"}', "answered 400: error parsing query; check [relay], and [relay].reads"),
        (429, "slow down", "answered 429: slow down; look into its log, and try again later"),
        (500, '{"error":"timeout"}', "answered 500: timeout; look into its log, and try again later"),
        (503, "<html>\n starting </html>", "answered 503: <html> starting </html>; look into its log, and try again"),
    ],
)  # fmt: skip
def test_a_no_is_told_in_the_servers_words_with_what_to_do(scripted, past: Past, status, body, told) -> None:
    scripted.answers(status, body)
    assert told in failure(past)


def test_an_answer_from_elsewhere_is_not_followed(scripted, past: Past) -> None:
    """A token goes to nobody but the server that was named."""
    scripted.answers(307, "", Location="http://127.0.0.1:1/elsewhere")
    assert failure(past).endswith("; write the address it points to into [relay].url")


def test_a_line_without_end_is_given_up(scripted, past: Past, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.relay.asking.LONGEST_LINE", 1 << 20)
    scripted.answers(200, '{"metric": ' + "1" * (2 << 20))
    assert "is longer than any of ours" in failure(past)


@pytest.mark.parametrize("kind", ["influxql"], indirect=True)
def test_an_answer_that_says_more_is_to_come_must_be_followed_by_it(scripted, past: Past) -> None:
    scripted.answers(200, json.dumps({"results": [{**CHUNK["results"][0], "partial": True}]}) + "\n")
    assert failure(past) == "the server ended its answer although there was more to come; read it again"


@pytest.mark.parametrize("kind", ["influxql"], indirect=True)
@pytest.mark.parametrize("told", [{"error": "engine: it gave up"}, {"results": [{"error": "engine: it gave up"}]}])
def test_an_error_in_the_midst_of_an_answer_is_told(scripted, past: Past, told) -> None:
    scripted.answers(200, WHOLE["influxql"] + json.dumps(told) + "\n")
    assert failure(past) == "the server says: engine: it gave up; look into its log, and check [relay].reads"


def test_how_it_is_read_can_be_set_by_hand(scripted, kind) -> None:
    """Then `/ping` is not asked."""
    other = "influxql" if kind == "export" else "export"
    with past_of(Relay(url=scripted.url, reads=other)) as past:
        assert past.how == {"influxql": "InfluxQL", "export": "the export API of VictoriaMetrics"}[other]
    assert scripted.asked == []


def test_the_token_goes_along(scripted, tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("very-secret\n", encoding="utf-8")
    scripted.answers(200, "")
    with past_of(Relay(url=scripted.url, token_file=file)) as past:
        list(past.readings(SITE))
    assert [ask.headers["Authorization"] for ask in scripted.asked] == ["Token very-secret"] * 2


# --- with what is real -----------------------------------------------------------------------------------------------


def test_nobody_at_that_address_is_told() -> None:
    url = f"http://127.0.0.1:{free_port()}"
    with pytest.raises(RelayError) as told:
        past_of(Relay(url=url))
    assert str(told.value) == (
        f"{url} cannot be reached: Failed to establish a new connection: [Errno 111] Connection refused; "
        "check that it runs, the network, [relay].url"
    )


def test_a_real_server_without_the_bucket_says_so(influxd: Served) -> None:
    with past_of(influxd.relay(bucket="elsewhere")) as past:
        assert failure(past) == (
            "the server says: database not found: elsewhere; name a bucket of it in [relay].bucket (now elsewhere)"
        )


@pytest.mark.parametrize("token", [None, "wrong", "no:body"])
def test_a_real_server_with_accounts_turns_a_wrong_token_away(locked_influxd: Served, tmp_path: Path, token) -> None:
    file = tmp_path / "token"
    file.write_text(token or "", encoding="utf-8")
    more = {} if token is None else {"token_file": file}
    with past_of(locked_influxd.relay(**more)) as past:
        told = failure(past)
    assert " answered 401: " in told
    assert told.endswith("; [relay].token_file must hold a token that may read bucket leeswatch")


def test_a_real_victoria_metrics_asked_for_influxql_is_no_such_server(victoria: Served) -> None:
    """It answers `/query` with a list of databases, whatever it is asked."""
    with past_of(victoria.relay(reads="influxql")) as past:
        assert failure(past).startswith("an answer of the server is not what InfluxQL gives; check [relay].url")


def test_a_real_influxd_asked_for_the_export_api_is_no_such_server(influxd: Served) -> None:
    with past_of(influxd.relay(reads="export")) as past:
        assert "answered 404: 404 page not found; check [relay].url" in failure(past)


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate that no authority has signed."""
    folder = tmp_path_factory.mktemp("certificate")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost", "-keyout", folder / "key.pem", "-out", folder / "cert.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    return folder


def test_a_certificate_of_ones_own_must_be_named(certificate: Path) -> None:
    script = Scripted("influxql")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate / "cert.pem", certificate / "key.pem")
    script._server.socket = context.wrap_socket(script._server.socket, server_side=True)
    script.answers(200, WHOLE["influxql"])
    url = script.url.replace("http://127.0.0.1", "https://localhost")
    try:
        with pytest.raises(RelayError, match=r"cannot be trusted: .*; name its certificate in \[relay\].ca_file"):
            past_of(Relay(url=url))
        with past_of(Relay(url=url, ca_file=certificate / "cert.pem")) as past:
            assert len(list(past.readings(SITE))) == 1
    finally:
        script.close()
