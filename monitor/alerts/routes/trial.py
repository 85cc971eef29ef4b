"""A test letter to every route, now and whatever the hour."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from monitor.alerts.routes.address import AppriseRoute
from monitor.alerts.routes.base import Letter
from monitor.model import config
from monitor.model.errors import RouteError


def test_alert(routes: Sequence[config.Route], site: str = "") -> list[tuple[str, bool, str]]:  # noqa: PT028 - no test of pytest's
    """Send one letter to each route, side by side; for each: its name, whether it was taken, and why not.

    Waits for every route, each of which gives up after its own socket timeouts.
    """
    at = f" at {site}" if site else ""
    letter = Letter(
        title=f"Test{at}: alerts reach you here",
        body="This is a test that someone asked for. Nothing is wrong, and there is nothing to do.",
        priority="low",
    )
    if not routes:
        return []
    with ThreadPoolExecutor(max_workers=len(routes)) as pool:
        return list(pool.map(lambda route: _try(route, letter), routes))


def _try(route: config.Route, letter: Letter) -> tuple[str, bool, str]:
    try:
        AppriseRoute(route).send(letter)
    except RouteError as error:
        return route.name, False, str(error)
    return route.name, True, "taken by the service"


test_alert.__test__ = False  # type: ignore[attr-defined]  # not a test of pytest's, whatever its name
