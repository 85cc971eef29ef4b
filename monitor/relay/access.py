"""What writing and reading both need of a time-series server: its token, and its errors in plain words."""

from __future__ import annotations

import re

from monitor.model.config import Relay
from monitor.model.errors import RelayError

NO_TOKEN = "none"  # noqa: S105 - servers without accounts take any


def token_of(relay: Relay) -> str:
    """The token; RelayError where its file cannot be read."""
    if relay.token_file is None:
        return NO_TOKEN
    try:
        return relay.token_file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise RelayError(
            f"[relay].token_file: {relay.token_file} cannot be read: {error}",
            "write the server's token into it, readable by the daemon's user alone",
        ) from error


def certificates_of(relay: Relay) -> str | None:
    """The file of certificates that the server is checked by; None: those of the machine."""
    if relay.ca_file is None:
        return None
    if not relay.ca_file.is_file():
        raise RelayError(f"[relay].ca_file: there is no file {relay.ca_file}", "name the server's certificate")
    return str(relay.ca_file)


def one_line(message: object) -> str:
    """What a server said, as one line of bounded length."""
    text = message.decode("utf-8", "replace") if isinstance(message, bytes) else str(message)
    return " ".join(text.split())[:300]


def plain(error: BaseException) -> str:
    """What is wrong without the library's names of objects in memory."""
    text = one_line(error)
    return re.sub(r"^.*object at 0x[0-9a-f]+>:\s*", "", text) or type(error).__name__
