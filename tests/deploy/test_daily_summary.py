"""The daily summary, run by the real vmalert over days that are past, with the commands that deploy/README.md gives."""

from __future__ import annotations

import json
import re
import shlex
import statistics
import subprocess
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from monitor.model.clock import DAY, HOUR, MINUTE, iso, parse_time
from tests.deploy.sites import CELLAR, Sites
from tests.relay.servers import Served, VictoriaMetrics, binary, free_port, said, serving

TOP = Path(__file__).parents[2]
README = (TOP / "deploy/README.md").read_text(encoding="utf-8")
FIRST = parse_time("2026-03-08T00:00:00Z")
DAYS = 3
SERIES = ("leeswatch_daily_mean", "leeswatch_daily_lowest", "leeswatch_daily_highest", "leeswatch_daily_readings")


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Served]:
    """An empty VictoriaMetrics, for rows and for their summary."""
    with serving(VictoriaMetrics, tmp_path) as served:
        yield served


def a_cellar() -> list[tuple[int, float]]:
    """A temperature each five minutes, the last of a day on its end; some hours of the second day are missing."""
    chance = Random(8)
    times = range(FIRST + 5 * MINUTE, FIRST + DAYS * DAY + 1, 5 * MINUTE)
    gap = range(FIRST + DAY + 6 * HOUR, FIRST + DAY + 9 * HOUR)
    return [(at, round(chance.uniform(17, 23), 4)) for at in times if at not in gap]


def put(server: Served, rows: list[tuple[int, float]]) -> None:
    sites = Sites()
    for at, value in rows:
        sites.reading(CELLAR, at, "vessel:bucket-a", "amber-1", "well-a", value)
    for day in range(DAYS):
        sites.verdict(CELLAR, FIRST + day * DAY + 20 * HOUR, "amber-1", "vessel:bucket-a", "working",
                      gravity=1.06 - day / 100)  # fmt: skip
    server.write(sites.lines)


def summed_up(server: Served) -> None:
    """Run the document's command over the days, both servers being one."""
    line = re.search(r"(?m)^vmalert .*-replay\.timeFrom=.*$", README)
    assert line
    command = re.sub(r"http://127\.0\.0\.1:84\d\d", server.base, line[0])
    command = re.sub(r"(?<=timeFrom=)\S+", iso(FIRST + DAY), command)
    command = re.sub(r"(?<=timeTo=)\S+", iso(FIRST + DAYS * DAY), command)
    words = [
        binary("vmalert"), *shlex.split(command)[1:], "-replay.disableProgressBar", "-replay.rulesDelay=0s",
        f"-httpListenAddr=127.0.0.1:{free_port()}",
    ]  # fmt: skip
    result = subprocess.run(words, cwd=TOP / "deploy", capture_output=True, text=True, timeout=60, check=False)
    assert result.returncode == 0, result.stdout + result.stderr
    server.settle()


def kept(server: Served, match: str) -> dict[str, dict[int, float]]:
    """Values of each series by time."""
    lines = said(f"{server.base}/api/v1/export", **{"match[]": match}).splitlines()
    found: dict[str, dict[int, float]] = {}
    for each in map(json.loads, lines):
        assert each["metric"].get("probe", "well-a") == "well-a"
        assert (each["metric"]["site"], each["metric"]["batch"]) == (CELLAR, "amber-1")
        found[each["metric"]["__name__"]] = dict(zip(each["timestamps"], each["values"], strict=True))
    return found


def expected(rows: list[tuple[int, float]]) -> dict[str, dict[int, float]]:
    """The same from the rows themselves: a day ends with its last midnight's reading."""
    ends = [FIRST + (day + 1) * DAY for day in range(DAYS)]
    days = {end: [value for at, value in rows if end - DAY < at <= end] for end in ends}
    sums = (statistics.fmean, min, max, len)
    found = {
        name: {end: float(how(values)) for end, values in days.items()}
        for name, how in zip(SERIES, sums, strict=True)
    }  # fmt: skip
    return found | {"leeswatch_daily_gravity": {end: 1.06 - day / 100 for day, end in enumerate(ends)}}


def same(one: dict[str, dict[int, float]], other: dict[str, dict[int, float]]) -> bool:
    return one.keys() == other.keys() and all(one[name] == pytest.approx(other[name]) for name in one)


def test_each_day_is_summed_up_and_the_rows_stay_as_they_were(server: Served) -> None:
    """Mean, lowest, highest and number of each day, a batch's gravity at its end, and nothing else is touched."""
    rows = a_cellar()
    put(server, rows)
    before = kept(server, '{__name__=~"leeswatch_(reading|verdict)_.*"}')

    summed_up(server)

    assert same(kept(server, '{__name__=~"leeswatch_daily_.*"}'), expected(rows))
    assert expected(rows)["leeswatch_daily_readings"][FIRST + 2 * DAY] == (24 - 3) * 12
    assert kept(server, '{__name__=~"leeswatch_(reading|verdict)_.*"}') == before


def test_a_summary_made_before_late_rows_came_can_be_made_anew(server: Served) -> None:
    """The document's way: delete the summary's series, then run the past again."""
    rows = a_cellar()
    put(server, rows[: 2 * len(rows) // 5])
    summed_up(server)
    put(server, rows)
    asked = re.search(r"curl -d '(match\[\])=([^']+)' http://127\.0\.0\.1:\d+(\S+)`", README)
    assert asked

    said(f"{server.base}{asked[3]}", b"", **{asked[1]: asked[2]})
    summed_up(server)

    assert same(kept(server, '{__name__=~"leeswatch_daily_.*"}'), expected(rows))


def test_the_tests_run_the_server_as_the_document_says(server: Served) -> None:
    """Kept for ever, and a row that was sent twice is kept once."""
    asked = re.search(r'ARGS="(.*)"', README)
    assert asked

    assert asked[1].split()[2:] == ["-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms"]
    assert set(asked[1].split()[2:]) < set(server.command())


def test_the_command_for_every_day_differs_only_in_what_days_it_runs_over() -> None:
    """So that what is tried above holds for it too."""
    daily, past = re.findall(r"(?m)^vmalert (.*)$", README)

    assert re.sub(r" -replay\.\S+", "", past) == daily
