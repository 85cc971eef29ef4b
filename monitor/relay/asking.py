"""Questions to a time-series server over HTTP: answers line by line, every failure as a sentence with its remedy."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from http import HTTPStatus
from types import TracebackType
from typing import Any, Final, Self
from urllib.parse import urlencode

import urllib3
from urllib3.exceptions import HTTPError, LocationParseError, NewConnectionError, ProtocolError, SSLError
from urllib3.exceptions import TimeoutError as TooSlow

from monitor.model.config import Relay
from monitor.model.errors import RelayError
from monitor.relay.access import NO_TOKEN, certificates_of, one_line, plain, token_of

Fields = Sequence[tuple[str, str]]

PATIENCE: Final = 60.0  # seconds between two pieces of an answer: a server thinks before it says the first
PIECE: Final = 1 << 16
MOST_NAMES: Final = 30  # probes in a question, whose address must not be too long; of more, all are asked for
LONGEST_LINE: Final = 32 << 20
_SAID: Final = 4_096  # bytes of what a server says of an error


class Asking:
    """A connection to the server of `[relay]`, for questions only."""

    def __init__(self, relay: Relay, patience: float = PATIENCE) -> None:
        """RelayError where the token or the certificates cannot be read."""
        self._relay = relay
        token = token_of(relay)
        self._headers = {"Authorization": f"Token {token}"} if token != NO_TOKEN else {}
        self._pool = urllib3.PoolManager(
            retries=False, maxsize=1, ca_certs=certificates_of(relay),
            timeout=urllib3.Timeout(connect=relay.timeout, read=max(patience, relay.timeout)),
        )  # fmt: skip

    def close(self) -> None:
        """Let go of the connection."""
        self._pool.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def headers(self, path: str) -> Mapping[str, str]:
        """The headers of an answer."""
        answer = self._ask(path, ())
        answer.drain_conn()
        answer.release_conn()
        return answer.headers

    def documents(self, path: str, fields: Fields) -> Iterator[Any]:
        """An answer of a JSON document a line, each as it comes."""
        lines = self._lines(path, fields)
        for line in lines:
            try:
                yield json.loads(line)
            except (ValueError, RecursionError) as error:
                if next(lines, None) is None and line.lstrip()[:1] == b"{":
                    raise self._broken("its last line is not whole") from error
                raise RelayError(
                    f"what {self._relay.url} answered is no JSON: {one_line(line[:60])}",
                    "check [relay].url, and [relay].reads: it says how the server is read",
                ) from error

    def _lines(self, path: str, fields: Fields) -> Iterator[bytes]:
        answer = self._ask(path, fields)
        rest = b""
        try:
            for piece in answer.stream(PIECE):
                *whole, rest = (rest + piece).split(b"\n")
                yield from filter(None, whole)
                if len(rest) > LONGEST_LINE:
                    raise RelayError(
                        f"a line of what {self._relay.url} answered is longer than any of ours",
                        "check [relay].url, and [relay].reads: it says how the server is read",
                    )
        except TooSlow as error:
            raise RelayError(
                f"{self._relay.url} said no more in the middle of its answer",
                "try again; where it goes on, ask for a shorter time",
            ) from error
        except (HTTPError, OSError) as error:
            raise self._broken(plain(error)) from error
        finally:
            answer.close()
        if rest.strip():
            yield rest

    def _broken(self, why: str) -> RelayError:
        return RelayError(f"the answer of {self._relay.url} broke off in the middle ({why})", "read it again")

    def _ask(self, path: str, fields: Fields) -> urllib3.BaseHTTPResponse:
        url = f"{self._relay.url}{path}" + (f"?{urlencode(fields)}" if fields else "")
        try:
            answer = self._pool.request("GET", url, headers=self._headers, preload_content=False)
        except (HTTPError, OSError, LocationParseError) as error:
            raise self._away(error) from error
        if answer.status not in (HTTPStatus.OK, HTTPStatus.NO_CONTENT):
            try:
                said = answer.read(_SAID, decode_content=True)
            except (HTTPError, OSError):
                said = b""
            answer.close()
            raise self._no(answer.status, said)
        return answer

    def _away(self, error: Exception) -> RelayError:
        url = self._relay.url
        if isinstance(error, SSLError):
            return RelayError(f"{url} cannot be trusted: {plain(error)}", "name its certificate in [relay].ca_file")
        if isinstance(error, TooSlow) and not isinstance(error, NewConnectionError):
            return RelayError(f"{url} does not answer in time", "check that it runs and is not overloaded, try again")
        if isinstance(error, ProtocolError):
            return RelayError(f"{url} hung up: {plain(error)}", "check that a time-series server listens there")
        return RelayError(f"{url} cannot be reached: {plain(error)}", "check that it runs, the network, [relay].url")

    def _no(self, status: int, said: bytes) -> RelayError:
        url, bucket = self._relay.url, self._relay.bucket
        words = f"{url} answered {status}: {_message(said)}"
        if status in (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN):
            return RelayError(words, f"[relay].token_file must hold a token that may read bucket {bucket}")
        if status == HTTPStatus.NOT_FOUND:
            return RelayError(words, f"check [relay].url, that there is a bucket {bucket}, and [relay].reads")
        if HTTPStatus.MULTIPLE_CHOICES <= status < HTTPStatus.BAD_REQUEST:
            return RelayError(words, "write the address it points to into [relay].url")
        if status >= HTTPStatus.INTERNAL_SERVER_ERROR or status == HTTPStatus.TOO_MANY_REQUESTS:
            return RelayError(words, "look into its log, and try again later")
        return RelayError(words, "check [relay], and [relay].reads: it says how the server is read")


def _message(said: bytes) -> str:
    """The server's own words, which it may have wrapped in JSON."""
    try:
        told = json.loads(said)
    except (ValueError, RecursionError):
        return one_line(said)
    found = told.get("error") or told.get("message") if isinstance(told, dict) else None
    return one_line(found or said)
