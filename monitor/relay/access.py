"""What writing and reading both need of a time-series server: its token, and its errors in plain words."""

from __future__ import annotations

import re
import ssl

from monitor.model.config import Relay
from monitor.model.errors import RelayError

NO_TOKEN = "none"  # noqa: S105 - servers without accounts take any
_WRITE_IT = "write the server's token into it, readable by the daemon's user alone"
_TOKEN = re.compile(rb"[\x21-\x7e]+")
_PAGE = re.compile(r"\s*<[a-zA-Z!?]")
_TAGS = re.compile(r"<(script|style)\b.*?</\1\s*>|<[^<>]*>", re.DOTALL | re.IGNORECASE)


def token_of(relay: Relay) -> str:
    """The token; RelayError, which never tells it, where its file cannot be read or holds none."""
    file = relay.token_file
    if file is None:
        return NO_TOKEN
    try:
        token = file.read_bytes().strip()
    except OSError as error:
        raise RelayError(f"[relay].token_file: {file} cannot be read: {error.strerror or error}", _WRITE_IT) from error
    if not _TOKEN.fullmatch(token):
        raise RelayError(
            f"[relay].token_file: what {file} holds is no token: it is one word in plain letters", _WRITE_IT
        )
    return token.decode("ascii")


def certificates_of(relay: Relay) -> str | None:
    """The file of certificates that the server is checked by; None: those of the machine."""
    if relay.ca_file is None:
        return None
    try:
        ssl.create_default_context(cafile=relay.ca_file)
    except OSError as error:  # ssl.SSLError is one
        why = "it holds no certificate" if isinstance(error, ssl.SSLError) else error.strerror or error
        raise RelayError(
            f"[relay].ca_file: {relay.ca_file} cannot be read: {why}", "name the server's certificate, in PEM form"
        ) from error
    return str(relay.ca_file)


def one_line(message: object) -> str:
    """What a server said, as one line of bounded length."""
    text = message.decode("utf-8", "replace") if isinstance(message, bytes) else str(message)
    return " ".join(text.split())[:300]


def page_words(message: object) -> str:
    """The same; where it is a page, its words alone."""
    text = message.decode("utf-8", "replace") if isinstance(message, bytes) else str(message)
    return one_line(_TAGS.sub(" ", text) if _PAGE.match(text) else text)


def plain(error: BaseException) -> str:
    """What is wrong without the library's names of objects in memory."""
    text = one_line(error)
    return re.sub(r"^(.*object at 0x[0-9a-f]+>|HTTPS?Connection(Pool)?\([^)]*\)):\s*", "", text) or type(error).__name__
