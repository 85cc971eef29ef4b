"""Who may see and change: sessions, the password file, back-off after wrong passwords, and the Host header.

    loopback, no password file   everyone on this machine: the page gives a session, no login
    password file                login page, or `Authorization: Bearer <its content>` for /api, /healthz and /metrics

A change always needs more than the cookie: the CSRF token of its session, or the bearer token. Sessions live in
memory: a restart, or a new password, ends them all.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from monitor.model.clock import DAY, SECOND, Clock
from monitor.web.refusal import SlowDown

COOKIE = "leeswatch_session"
SESSION_IDLE = 30 * DAY
SESSIONS_KEPT = 200
PEERS_KEPT = 500
FREE_TRIES = 3
LONGEST_WAIT = 300 * SECOND
FORGET_AFTER = 3_600 * SECOND


@dataclass(slots=True)
class Session:
    """One signed-in browser."""

    token: str
    csrf: str
    used_ms: int
    password: bytes  # digest of the password it was opened with


class PasswordFile:
    """One line in a file, read anew whenever the file changes. None: no password is asked for."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._stamp: tuple[int, int, int] | None = None
        self._digest = b""

    def digest(self) -> bytes | None:
        """Digest of the password now; None while the file is missing or empty, so that nobody gets in."""
        if self.path is None:
            return b""
        try:
            about = self.path.stat()
            stamp = (about.st_mtime_ns, about.st_size, about.st_ino)
            if stamp != self._stamp:
                text = self.path.read_text(encoding="utf-8").strip()
                self._digest = _digest(text) if text else b""
                self._stamp = stamp
        except (OSError, UnicodeDecodeError):
            return None
        return self._digest or None

    def matches(self, given: str) -> bool:
        """Compare in constant time; digests, so that not even the length shows."""
        wanted = self.digest()
        return bool(wanted) and hmac.compare_digest(_digest(given.strip()), wanted or b"")


def _digest(text: str) -> bytes:
    # Not for keeping: only to compare equal lengths. The password itself lies in its file.
    return hmac.digest(b"leeswatch", text.encode(), "sha256")


class Brake:
    """After three wrong passwords an address waits, twice as long each time, up to five minutes.

    An IPv6 network counts as one address. What is kept is bounded; old failures are forgotten after an hour.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._peers: OrderedDict[str, tuple[int, int]] = OrderedDict()  # failures, when the last was

    def check(self, peer: str) -> None:
        """SlowDown while this address has to wait."""
        failures, last = self._peers.get(_network(peer), (0, 0))
        waited = self._clock.mono_ms() - last
        if failures < FREE_TRIES or waited > FORGET_AFTER:
            return
        wait = min(LONGEST_WAIT, SECOND << min(failures - FREE_TRIES, 20)) - waited
        if wait > 0:
            seconds = -(-wait // SECOND)
            raise SlowDown("too many wrong passwords", f"wait {seconds} s", {"Retry-After": str(seconds)})

    def failed(self, peer: str) -> None:
        """One more."""
        key = _network(peer)
        failures, last = self._peers.pop(key, (0, 0))
        now = self._clock.mono_ms()
        self._peers[key] = (1 if now - last > FORGET_AFTER else failures + 1, now)
        while len(self._peers) > PEERS_KEPT:
            self._peers.popitem(last=False)

    def passed(self, peer: str) -> None:
        """The right one."""
        self._peers.pop(_network(peer), None)


def _network(peer: str) -> str:
    try:
        address = ipaddress.ip_address(peer)
    except ValueError:
        return peer
    if address.version == 6:
        return str(ipaddress.ip_network(f"{peer.partition('%')[0]}/64", strict=False))
    return peer


class Guard:
    """See above. Real time throughout: a demo's clock must not end sessions or lift a brake. Safe from any thread."""

    def __init__(self, host: str, password_file: Path | None, clock: Clock, *, public_url: str | None = None) -> None:
        self.loopback = is_loopback(host)
        self.password = PasswordFile(password_file)
        self.brake = Brake(clock)
        self._clock = clock
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        self._lock = threading.Lock()
        own = socket.gethostname().lower()
        # The machine's own name cannot be pointed elsewhere by a stranger's name server.
        public = urlsplit(public_url).hostname if public_url else None
        self._hosts = {"localhost", host.lower(), own, f"{own}.local", public or ""} - {""}

    @property
    def free(self) -> bool:
        """Whether everyone who reaches us may look: loopback, and no password set."""
        return self.loopback and self.password.path is None

    def open(self) -> Session:
        """A new session."""
        with self._lock:
            session = Session(
                token=secrets.token_urlsafe(32),
                csrf=secrets.token_urlsafe(32),
                used_ms=self._clock.mono_ms(),
                password=self.password.digest() or b"",
            )
            self._sessions[session.token] = session
            while len(self._sessions) > SESSIONS_KEPT:
                self._sessions.popitem(last=False)
            return session

    def session(self, token: str | None) -> Session | None:
        """The session of a cookie; None once it idled for 30 days or the password changed."""
        if not token:
            return None
        with self._lock:
            session = self._sessions.get(token)
            if session is None:
                return None
            now = self._clock.mono_ms()
            wanted = self.password.digest()
            if wanted is None or session.password != wanted or now - session.used_ms > SESSION_IDLE:
                del self._sessions[token]
                return None
            session.used_ms = now
            self._sessions.move_to_end(token)
            return session

    def close(self, token: str) -> None:
        """Sign out."""
        with self._lock:
            self._sessions.pop(token, None)

    def try_password(self, given: str, peer: str) -> bool:
        """Whether it is the password; SlowDown while this address has to wait."""
        with self._lock:
            self.brake.check(peer)
            if self.password.path is not None and self.password.matches(given):
                self.brake.passed(peer)
                return True
            self.brake.failed(peer)
            return False

    def knows_host(self, header: str) -> bool:
        """Whether a Host header names this machine: an address, a loopback name, its own or the configured one.

        A page on the internet can point a name of its own at a private address, and have a browser in the house
        speak to us; the Host header then still carries that name.
        """
        name = header.strip().lower()
        if name.startswith("["):
            name = name[1:].partition("]")[0]
        elif name.count(":") == 1:
            name = name.partition(":")[0]
        name = name.rstrip(".")
        if name in self._hosts:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach what listens on `host`."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
