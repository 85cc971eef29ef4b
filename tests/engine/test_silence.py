"""Probes that fall silent: one by itself, or all together."""

from __future__ import annotations

import pytest

from monitor.model.clock import HOUR, MINUTE
from tests.engine.cellar import Cellar

THREE = """
[site]
name = "Vault"
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[[probe]]
name = "float-b"
source = "mqtt"
topic = "float-b"
[[probe]]
name = "air"
source = "mqtt"
topic = "air"
[[room]]
name = "cellar"
probes = ["air"]
[[vessel]]
name = "bucket-a"
probes = ["float-a"]
[[vessel]]
name = "bucket-b"
probes = ["float-b"]
"""
SITE = "site:Vault"


def speak(cellar: Cellar, hours: float, *names: str) -> None:
    """These speak every ten minutes, each at its own minute; time passes the same without any."""
    end = cellar.now + round(hours * HOUR)
    i = 0
    while cellar.now < end:
        for name in ("float-a", "float-b", "air"):
            cellar.wait(3 * MINUTE)
            if name in names:
                cellar.say(name, temperature=20 + i % 7 / 10)
        cellar.wait(MINUTE)
        i += 1


def notices(cellar: Cellar, reason: str = "first") -> list[str]:
    """Whom people were told of."""
    return [each.about for each in cellar.out.notices if each.alert == "probe-silent" and each.reason == reason]


def test_all_silent_at_once_is_one_notice_about_the_site() -> None:
    """Each is recorded as silent, and people are told once, with what they share."""
    cellar = Cellar(THREE)
    speak(cellar, 4, "float-a", "float-b", "air")
    speak(cellar, 3)
    assert notices(cellar) == [SITE]
    assert cellar.alerts("probe-silent", SITE) == ["raised"]
    assert all(cellar.alerts("probe-silent", f"probe:{name}") == ["raised"] for name in ("float-a", "float-b", "air"))
    assert "float-a, float-b, air" in cellar.state.book.standing[f"probe-silent/{SITE}"].message
    assert "broker" in cellar.state.book.standing[f"probe-silent/{SITE}"].do[0]


def test_when_all_come_back_it_is_over_with_one_word() -> None:
    """They come back minutes apart, and nobody hears of each."""
    cellar = Cellar(THREE)
    speak(cellar, 4, "float-a", "float-b", "air")
    speak(cellar, 3)
    speak(cellar, 3, "float-a", "float-b", "air")
    assert notices(cellar) == [SITE]
    assert notices(cellar, "returned") == [SITE]
    assert "probe-silent" not in cellar.standing()


def test_who_stays_silent_is_told_an_hour_after_the_first_is_back() -> None:
    """The common cause is over; the battery of one of them is flat as well."""
    cellar = Cellar(THREE)
    speak(cellar, 4, "float-a", "float-b", "air")
    speak(cellar, 3)
    speak(cellar, 0.8, "float-a", "air")
    assert notices(cellar) == [SITE]
    speak(cellar, 1, "float-a", "air")
    assert notices(cellar) == [SITE, "probe:float-b"]
    assert "probe-silent/probe:float-b" in cellar.state.book.standing


@pytest.mark.parametrize("alive", ["float-b", "air"])
def test_while_one_is_heard_the_others_are_told_by_name(alive: str) -> None:
    """What they share works, so it is each of them."""
    cellar = Cellar(THREE)
    speak(cellar, 4, "float-a", "float-b", "air")
    speak(cellar, 3, alive)
    assert sorted(notices(cellar)) == sorted(f"probe:{name}" for name in ("float-a", "float-b", "air") if name != alive)
    assert cellar.alerts("probe-silent", SITE) == []


def test_the_last_of_them_is_told_by_its_own_name() -> None:
    """One that was silent for long before does not make the silence of the last a common one."""
    cellar = Cellar(THREE)
    speak(cellar, 4, "float-a", "float-b", "air")
    speak(cellar, 4, "air")
    speak(cellar, 3)
    assert cellar.alerts("probe-silent", SITE) == []
    assert sorted(notices(cellar)) == ["probe:air", "probe:float-a", "probe:float-b"]
