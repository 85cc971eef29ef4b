"""What a site tells others of its batches is what its own page says."""

from __future__ import annotations

from collections.abc import Callable
from zoneinfo import ZoneInfo

import pytest

from monitor.fleet.summary import summarise
from monitor.web.look import load, picture, reading
from monitor.web.words import Local
from tests.web.cellar import House
from tests.web.test_page import page_of


@pytest.mark.parametrize("hours", [2, 60, 160, None])
def test_the_summary_says_what_the_page_says(still: Callable[..., House], hours: float | None) -> None:
    """Each open batch in the very words of its card, and each alert that the page lists, in its order."""
    house = still("two-siblings", hours)
    desk = house.desk
    local = Local(ZoneInfo(desk.settings.site.timezone), desk.clock.wall_ms())
    with reading(desk.path) as reader:
        told = picture(reader, load(reader), local.now_ms, desk.settings.probe)
    page = page_of(house)

    found = summarise(told, local, desk.settings.probe)

    assert len(found.batches) == 2
    for each in found.batches:
        (card,) = page.all(id=f"batch-{each.batch}-now")
        (headline,) = card.all(class_="verdict")
        assert each.sentence[:-1] in headline.text
        sure = f"({each.confidence:.0%} sure)".replace("%", " %") if each.confidence is not None else ""
        assert sure in headline.text
    for alert in found.alerts:
        assert alert.message in page.text
    assert len(found.alerts) == len(told["alerts"])
