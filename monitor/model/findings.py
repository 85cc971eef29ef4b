"""What a rule finds: the alert book turns findings into raised, reminded and returned alerts."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.model.events import AlertName, Cause


@dataclass(frozen=True, slots=True)
class Finding:
    """One rule's word on one alert about one thing.

    `active` True: it is so. False: a good reading shows that it is not. None is never said: a rule that
    cannot tell says nothing, since silence resolves nothing.
    """

    alert: AlertName
    about: str
    active: bool
    message: str = ""
    because: tuple[str, ...] = ()
    do: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()
    seen_ms: int | None = None
    under: str | None = None  # `alert/about` of the cause that already tells people of this
