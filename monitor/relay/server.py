"""The time-series server, through influxdb-client: one synchronous request at a time, every answer in our words.

The client's own batching is not used: it loses points at shutdown and when the wall clock steps, and its `flush` does
nothing (the outbox does that work). Nor does it retry: what was not taken stays in the outbox.
"""

from __future__ import annotations

import email.utils
import logging
import re
from collections.abc import Sequence
from typing import Any, Protocol

import urllib3
from influxdb_client import InfluxDBClient
from influxdb_client.client.exceptions import InfluxDBError
from influxdb_client.client.write_api import SYNCHRONOUS
from urllib3.exceptions import HTTPError, LocationParseError, SSLError

from monitor.model.clock import SECOND, Clock
from monitor.model.config import Relay
from monitor.relay.access import NO_TOKEN, certificates_of, page_words, plain, token_of
from monitor.relay.answers import Later, NotSetUp, Refused, TooLarge

_STARTED = re.compile(rb"^(?:vm_app_start_timestamp|process_start_time_seconds)(?:\{[^}]*\})? (\S+)$", re.MULTILINE)
_METRICS_READ = 4 << 20  # bytes of what a server says of itself


class Server(Protocol):
    """What the sender needs of a server."""

    def write(self, lines: Sequence[str]) -> int:
        """Write lines; returns the bytes that went out (before compression). Raises a RelayAnswer otherwise."""
        ...

    def started(self) -> str | None:
        """A stamp of when the server started; None where it does not tell. `Later` when it is away."""
        ...

    def close(self) -> None:
        """Let go of the connection."""
        ...


class InfluxServer:
    """A server that takes the InfluxDB v2 write API."""

    def __init__(self, relay: Relay, clock: Clock) -> None:
        """RelayError where the token or the certificates cannot be read."""
        self._relay, self._clock = relay, clock
        self._token = token_of(relay)
        certificates = certificates_of(relay)
        tls: dict[str, Any] = {"ssl_ca_cert": certificates} if certificates is not None else {}
        self._client = InfluxDBClient(
            relay.url, token=self._token, org=relay.org, timeout=round(relay.timeout * SECOND), enable_gzip=True,
            retries=False, **tls,
        )  # fmt: skip
        self._write = self._client.write_api(write_options=SYNCHRONOUS)
        self._plain = urllib3.PoolManager(
            retries=False, timeout=relay.timeout, maxsize=1, ca_certs=certificates,
        )  # fmt: skip
        logging.getLogger("influxdb_client").setLevel(logging.CRITICAL)  # every answer is told in our words

    def write(self, lines: Sequence[str]) -> int:
        """See `Server`."""
        payload = "\n".join(lines)
        try:
            self._write.write(self._relay.bucket, self._relay.org, payload, write_precision="ms")
        except InfluxDBError as error:
            raise self._answer(error) from error
        except UnicodeDecodeError as error:  # the library takes every answer for UTF-8
            raise NotSetUp(
                f"it answered: {page_words(error.object)}; look at [relay].url, and what stands between"
            ) from error
        except (HTTPError, OSError) as error:
            raise self._away(error) from error
        answer = self._client.api_client.last_response
        if answer is not None and answer.data.strip():  # a page to sign in, or some rows were left out
            raise Refused(f"it answered {answer.status}: {page_words(answer.data)}")
        return len(payload.encode())

    def _away(self, error: Exception) -> Later:
        if isinstance(error, SSLError):
            return Later(f"{self._relay.url} cannot be trusted: {plain(error)}; look at [relay] url and ca_file")
        return Later(f"{self._relay.url} is away: {plain(error)}", away=True)

    def _answer(self, error: InfluxDBError) -> Exception:
        status = int(getattr(error, "status", 0) or 0)
        said = f"it answered {status}: {page_words(error.message)}" if status else page_words(error.message)
        if status in (400, 422):
            return Refused(said)
        if status == 413:
            return TooLarge(said)
        if status in (401, 403):
            return NotSetUp(f"{said}; look at [relay].token_file: it must allow writing to bucket {self._relay.bucket}")
        if status == 0:  # the library's way to tell of TLS
            return Later(f"{self._relay.url} cannot be trusted: {said}; look at [relay] url and ca_file")
        if status in (408, 429) or status >= 500:
            return Later(said, self._retry_after(error.retry_after), away=status >= 500)
        return NotSetUp(f"{said}; look at [relay] url, org and bucket")

    def _retry_after(self, header: str | None) -> int | None:
        """Milliseconds that the server asks us to wait, in either form of RFC 9110."""
        if not header:
            return None
        try:
            return round(float(header) * SECOND)
        except (ValueError, OverflowError):
            pass
        try:
            at = email.utils.parsedate_to_datetime(header)
            return max(0, round(at.timestamp() * SECOND) - self._clock.wall_ms())
        except (ValueError, TypeError, OverflowError):
            return None

    def started(self) -> str | None:
        """See `Server`. VictoriaMetrics and InfluxDB 2 tell it at `/metrics`."""
        headers = {"Accept-Encoding": "gzip"}
        if self._token != NO_TOKEN:
            headers["Authorization"] = f"Token {self._token}"
        try:
            answer = self._plain.request("GET", f"{self._relay.url}/metrics", headers=headers, preload_content=False)
        except (HTTPError, OSError, LocationParseError) as error:
            raise self._away(error) from error
        try:
            told = answer.read(_METRICS_READ, decode_content=True) if answer.status == 200 else b""
        except (HTTPError, OSError) as error:
            raise self._away(error) from error
        finally:
            answer.close()
        found = _STARTED.search(told)
        return found.group(1).decode() if found else None

    def close(self) -> None:
        """See `Server`."""
        self._client.close()
        self._plain.clear()
