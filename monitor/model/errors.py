"""Every error we raise on purpose.

LeeswatchError            says what is wrong, what to do, and whether a retry can help
├── ConfigError           the configuration cannot be used: all its problems at once
├── RecordingError        a recording or journal file cannot be read: file and line
├── PayloadError          one message, line or value cannot be read: it is kept, counted and passed over
├── StoreError
│   ├── StoreBusy         another process is the writer of this store
│   ├── StoreNewer        the store was written by a later version
│   └── StoreTrouble      full, locked, failing or damaged: nothing committed is lost, a retry can help
├── SourceError           a port or broker cannot be had just now (a retry can help)
├── RouteError            a way to a person failed (a retry can help)
├── RelayError            the time-series server cannot be used, or did not answer as one should
├── Refused               a deed cannot be, as things stand
│   └── Discouraged       practice advises against it: it can be noted anyway
└── UsageError            the command line asks for what cannot be
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


class LeeswatchError(Exception):
    """Base: `what` is wrong, `remedy` says what to do next."""

    retry = False

    def __init__(self, what: str, remedy: str = "") -> None:
        super().__init__(f"{what}; {remedy}" if remedy else what)
        self.what = what
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a configuration: where, what was found, what is allowed."""

    line: int | None
    where: str
    found: str
    allowed: str

    def sentence(self, file: str) -> str:
        """`file:line: where: found; allowed`."""
        at = f"{file}:{self.line}" if self.line else file
        return f"{at}: {self.where}: {self.found}; {self.allowed}"


class ConfigError(LeeswatchError):
    """The configuration cannot be used; `problems` holds every reason at once."""

    def __init__(self, file: str, problems: list[Problem]) -> None:
        lines = [problem.sentence(file) for problem in problems]
        super().__init__("\n".join(lines))
        self.file = file
        self.problems = problems


class RecordingError(LeeswatchError):
    """A recording, or the journal beside it, cannot be read."""

    def __init__(self, file: str, line: int, what: str, remedy: str) -> None:
        super().__init__(f"{file}:{line}: {what}" if line else f"{file}: {what}", remedy)


class PayloadError(LeeswatchError):
    """One message or value cannot be read."""


class StoreError(LeeswatchError):
    """Something about the store."""


class StoreBusy(StoreError):
    """Another process writes this store."""


class StoreNewer(StoreError):
    """The store's schema is from a later version than this program."""


class StoreTrouble(StoreError):
    """Full, locked, failing or damaged."""

    retry = True


class SourceError(LeeswatchError):
    """A port or broker cannot be had just now."""

    retry = True


class RouteError(LeeswatchError):
    """A delivery failed."""

    retry = True


class RelayError(LeeswatchError):
    """The time-series server cannot be used, or did not answer as one should."""


class Refused(LeeswatchError):
    """A deed that cannot be; `sort` says how: what it names is not there, its figures cannot be, or it clashes."""

    def __init__(self, what: str, remedy: str, sort: Literal["unknown", "figures", "clash"] = "clash") -> None:
        super().__init__(what, remedy)
        self.sort = sort


class Discouraged(Refused):
    """Practice advises against it; whoever did it all the same can have it noted, by saying `anyway`."""


class UsageError(LeeswatchError):
    """The command line asks for what cannot be."""
