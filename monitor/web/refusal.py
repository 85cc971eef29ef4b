"""What the page refuses, as an error with its HTTP status."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from monitor.model.errors import LeeswatchError, Refused


class Refusal(LeeswatchError):
    """A request that is not granted: its status, what is wrong, and what to do."""

    status: ClassVar[int] = 400

    def __init__(self, what: str, remedy: str = "", headers: Mapping[str, str] | None = None) -> None:
        super().__init__(what, remedy)
        self.headers = dict(headers or {})


STATUS = {"unknown": 404, "figures": 400, "clash": 409}


def status_of(error: LeeswatchError) -> int:
    """The status that an error is answered with."""
    if isinstance(error, Refused):
        return STATUS[error.sort]
    return error.status if isinstance(error, Refusal) else NotNow.status


class BadRequest(Refusal):
    """What was sent cannot be used."""


class SignInFirst(Refusal):
    """No session and no token."""

    status: ClassVar[int] = 401


class Forbidden(Refusal):
    """A change without the form's token."""

    status: ClassVar[int] = 403


class NotFound(Refusal):
    """There is no such thing."""

    status: ClassVar[int] = 404


class Conflict(Refusal):
    """It cannot be done as things stand."""

    status: ClassVar[int] = 409


class TooLarge(Refusal):
    """More was sent than any form of ours holds."""

    status: ClassVar[int] = 413


class WrongHost(Refusal):
    """The request names another machine: a page elsewhere may be trying to reach this one."""

    status: ClassVar[int] = 421


class SlowDown(Refusal):
    """Too many wrong passwords."""

    status: ClassVar[int] = 429


class OurFault(Refusal):
    """A fault in this program."""

    status: ClassVar[int] = 500


class NotNow(Refusal):
    """The writer or the store cannot answer just now."""

    status: ClassVar[int] = 503
    retry = True
