"""The heartbeat: a request to an address that someone chose, who is told by others when it stays away."""

from __future__ import annotations

import urllib.error
import urllib.request
from urllib.parse import urlsplit

from monitor import __version__
from monitor.model.errors import RouteError

TIMEOUT = 5.0  # seconds, for connecting and for each answer; a stopping daemon waits as long


def ping(url: str, timeout: float = TIMEOUT) -> None:
    """GET the address; RouteError when it is not answered by 2xx. The path, which is often a key, is not told."""
    parts = urlsplit(url)
    where = f"heartbeat to {parts.scheme}://{parts.hostname}"
    if parts.scheme not in ("http", "https"):
        raise RouteError(f"{where}: not an address of the web", 'write [jobs].heartbeat_url as "https://…"')
    request = urllib.request.Request(url, headers={"User-Agent": f"leeswatch/{__version__}"})  # noqa: S310 - checked
    try:
        with urllib.request.urlopen(request, timeout=timeout):  # noqa: S310 - checked
            return
    except urllib.error.HTTPError as error:
        error.close()
        raise RouteError(f"{where}: answered {error.code}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise RouteError(f"{where}: {reason if not isinstance(error, ValueError) else 'no valid address'}") from None
