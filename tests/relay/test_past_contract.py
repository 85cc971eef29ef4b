"""What every kind of server must give back of what was written to it, asked in the same words."""

from __future__ import annotations

import itertools
import random
import struct
import tracemalloc

import pytest

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.inputs import JOURNAL, BatchStarted, Configured, JournalEntry, ProbeMoved, Reading, Started
from monitor.relay.lines import lines_of
from monitor.relay.past import Past, past_of
from monitor.relay.scratch import Damaged, Gap, Span, Wrong
from monitor.store.outbox import Row
from tests.relay.servers import Served

START = 1_772_474_400_000  # 2026-03-02T18:00:00Z
SITES = itertools.count()
NASTY = 'Cellar "two", it\'s at=odds \\ä🍺 {a|b}.* $'


@pytest.fixture
def site() -> str:
    """A site of this test alone."""
    return f"Cellar {next(SITES)}"


@pytest.fixture
def past(server: Served):
    with past_of(server.relay()) as found:
        yield found


def row(reading: Reading, seq: int, place: str | None = "vessel:bucket-a", batch: str | None = "amber-1") -> Row:
    probe, quantity, measured, value, received = reading
    return Row(seq, "reading", measured, received, place, batch, probe, quantity, value)


def entry_row(entry: JournalEntry, seq: int) -> Row:
    text = JOURNAL.dump_json(entry).decode()
    return Row(seq, "entry", entry.received, entry.received, None, None, text=text)


def send(server: Served, site: str, *rows: Row) -> None:
    server.write(line for each in rows for line in lines_of(each, site))


def fall(count: int, probe: str = "float-a", quantity: str = "gravity", start: int = START) -> list[Reading]:
    """A minute apart, received a little later."""
    return [
        Reading(probe, quantity, start + n * MINUTE, round(1.06 - n * 0.0001, 4), start + n * MINUTE + 120 + n % 7)
        for n in range(count)
    ]


def exactly(readings: list[Reading]) -> list[tuple[object, ...]]:
    """With every bit of the value."""
    return [(*each[:3], struct.pack(">d", each.value), each.received_ms) for each in readings]


# --- readings --------------------------------------------------------------------------------------------------------


def test_readings_come_back_as_they_were_written_in_the_order_received(server, past: Past, site) -> None:
    gravity, warmth = fall(50), fall(50, quantity="temperature", start=START + 7)
    send(server, site, *(row(each, seq) for seq, each in enumerate([*gravity, *warmth], 1)))
    found = list(past.readings(site))
    assert exactly(found) == exactly(sorted([*gravity, *warmth], key=lambda each: each.received_ms))


def test_a_late_reading_comes_where_it_was_received_not_where_it_was_measured(server, past: Past, site) -> None:
    readings = fall(10)
    readings[3] = readings[3]._replace(received_ms=START + 2 * DAY)
    send(server, site, *(row(each, seq) for seq, each in enumerate(readings, 1)))
    assert [each.measured_ms for each in past.readings(site)][-1] == readings[3].measured_ms


def test_every_bit_of_every_double_comes_back(server, past: Past, site) -> None:
    chance = random.Random(7)
    values = [
        0.1,
        1.0,
        1.0421,
        0.1 + 0.2,
        1 / 3,
        -1 / 3,
        12345.678901,
        1.0000000001,
        99999.99999,
        -0.5,
        2.5e-7,
        1e7 / 3,
    ]
    values += [chance.uniform(-100, 100) for _ in range(300)]
    values += [round(chance.uniform(-100, 100), chance.randint(0, 9)) for _ in range(300)]
    values += [chance.uniform(1, 10) * 10.0 ** chance.randint(-9, 6) for _ in range(300)]
    readings = [Reading("p", "co2", START + n, value, START + n + 1) for n, value in enumerate(values)]
    send(server, site, *(row(each, seq) for seq, each in enumerate(readings, 1)))
    assert exactly(list(past.readings(site))) == exactly(readings)


def test_names_are_only_names_whatever_signs_stand_in_them(server, past: Past, site) -> None:
    """But for a backslash before a space, comma or equals sign: line protocol cannot say it."""
    mine, other = f"{site} {NASTY}", f"{site} {NASTY}x"
    probes = ["hand:bucket-a", 'a"b', "a'b", "a.b", "axb", "a|b", "a\\b", "ä = b, c", "(x) or 1=1", "x{y}"]
    readings = [Reading(probe, "gravity", START + n, 1.05, START + n) for n, probe in enumerate(probes)]
    place = 'vessel:b"1" \' 2'
    send(server, mine, *(row(each, seq, place, "b'1\" x") for seq, each in enumerate(readings, 1)))
    send(server, other, row(Reading("float-a", "gravity", START, 1.0, START), 1))
    assert exactly(list(past.readings(mine))) == exactly(readings)
    for wanted in (probes[:1], probes[3:4], probes[1:3], probes[5:]):
        found = [each.probe for each in past.readings(mine, probes=wanted)]
        assert found == wanted
    assert mine in {each.name for each in past.sites()}
    assert [each.name for each in past.batches(mine)] == ["b'1\" x"]


def test_the_first_millisecond_is_in_a_time_and_the_last_is_not(server, past: Past, site) -> None:
    send(server, site, *(row(each, seq) for seq, each in enumerate(fall(10), 1)))
    found = past.readings(site, START + 2 * MINUTE, START + 5 * MINUTE)
    assert [each.measured_ms for each in found] == [START + n * MINUTE for n in (2, 3, 4)]
    assert [each.measured_ms for each in past.readings(site, START, START + 1)] == [START]
    assert list(past.readings(site, START + 1, START + MINUTE)) == []


@pytest.mark.parametrize("count", [0, 1, 3, 31])
def test_as_many_probes_as_wanted_come_and_no_other(server, past: Past, site, count) -> None:
    readings = [Reading(f"probe-{n}", "gravity", START + n, 1.05, START + n) for n in range(40)]
    send(server, site, *(row(each, seq) for seq, each in enumerate(readings, 1)))
    wanted = {f"probe-{n}" for n in range(count)}
    assert {each.probe for each in past.readings(site, probes=wanted)} == wanted


def test_what_was_sent_twice_comes_once(server, past: Past, site) -> None:
    rows = [row(each, seq) for seq, each in enumerate(fall(20), 1)]
    send(server, site, *rows)
    send(server, site, *rows)
    assert exactly(list(past.readings(site))) == exactly(fall(20))


def test_what_was_sent_again_under_other_tags_comes_once(server, past: Past, site) -> None:
    readings = fall(20)
    send(server, site, *(row(each, seq, None, None) for seq, each in enumerate(readings, 1)))
    send(server, site, *(row(each, seq) for seq, each in enumerate(readings[5:], 21)))
    wrong = Wrong()
    assert exactly(list(past.readings(site, wrong=wrong))) == exactly(readings)
    assert wrong == Wrong()


def test_of_two_values_at_one_time_the_one_received_first_stays_and_it_is_counted(server, past: Past, site) -> None:
    first, second = Reading("p", "ph", START, 4.5, START + 10), Reading("p", "ph", START, 4.7, START + 20)
    send(server, site, row(second, 2, None, None), row(first, 1))
    wrong = Wrong()
    assert list(past.readings(site, wrong=wrong)) == [first]
    assert wrong.conflicts == 1


def test_a_point_without_all_its_fields_is_counted_and_left_out(server, past: Past, site) -> None:
    name = site.replace(" ", "\\ ")
    send(server, site, row(fall(1)[0], 1))
    server.write([
        f"leeswatch_reading,site={name},probe=p,quantity=ph value=4.5,seq=2i {START}",
        f"leeswatch_reading,site={name},probe=p,quantity=ph received_ms={START}i,seq=3i {START + 1}",
        f"leeswatch_reading,site={name},probe=p,quantity=ph value=4.5,received_ms={START}i,bits_low=3i {START + 2}",
        f"leeswatch_reading,site={name},probe=p,quantity=ph value=4.5,received_ms=17i,seq=4i {START + 3}",
        f"leeswatch_reading,site={name},quantity=ph value=4.5,received_ms={START}i,seq=5i {START + 4}",
    ])  # fmt: skip
    wrong = Wrong()
    assert list(past.readings(site, wrong=wrong)) == fall(1)
    assert wrong.incomplete == 5


def test_a_quantity_of_a_later_version_is_counted_and_left_out(server, past: Past, site) -> None:
    strange = [Reading("p", "colour", START + n, 12.0, START + n) for n in range(3)]
    send(server, site, *(row(each, seq) for seq, each in enumerate([*strange, *fall(1)], 1)))
    wrong = Wrong()
    assert list(past.readings(site, wrong=wrong)) == fall(1)
    assert dict(wrong.unknown) == {"colour": 3}


def test_a_site_that_is_not_there_has_nothing(server, past: Past) -> None:
    assert list(past.readings("nowhere")) == []
    assert past.batches("nowhere") == []
    assert past.journal("nowhere").entries == []
    assert past.gaps("nowhere") == []


# --- who is there ----------------------------------------------------------------------------------------------------


def test_sites_and_batches_are_told_with_their_first_and_last_reading(server, past: Past, site) -> None:
    early, late = fall(10), fall(10, start=START + 10 * DAY + 123)
    rows = [row(each, seq) for seq, each in enumerate(early, 1)]
    rows += [row(each, seq, "vessel:bucket-b", "amber-2") for seq, each in enumerate(late, 11)]
    rows += [row(Reading("room-air", "temperature", START - HOUR, 18.0, START - HOUR), 21, "room:cellar", None)]
    send(server, site, *rows)
    assert past.batches(site) == [
        Span("amber-1", START, START + 9 * MINUTE),
        Span("amber-2", late[0].measured_ms, late[-1].measured_ms),
    ]
    assert Span(site, START - HOUR, late[-1].measured_ms) in past.sites()


# --- the journal -----------------------------------------------------------------------------------------------------


def journal(length: int = 2_000) -> list[JournalEntry]:
    """An entry of each size: some of one part, one of many."""
    chance = random.Random(3)
    vessels = [{"name": f"v-{chance.randrange(10**9)}", "volume_l": chance.random()} for _ in range(length // 20)]
    return [
        Started(version="0.1.0", watched_until=None, received=START - 5),
        Configured(settings={"vessel": vessels}, received=START - 4),
        BatchStarted(batch={"name": "amber-1", "note": 'ä🍺 \n \\ "'}, received=START - 3),
        ProbeMoved(probe="float-a", to=None, at=START - 2, received=START + 3 * DAY),
    ]  # fmt: skip


def test_the_journal_comes_back_word_for_word_as_received(server, past: Past, site) -> None:
    entries = journal()
    rows = [entry_row(each, seq) for seq, each in enumerate(entries, 1)]
    assert max(len(lines_of(each, site)) for each in rows) > 3
    send(server, site, *reversed(rows))
    send(server, site, *rows)
    found = past.journal(site)
    assert found.entries == entries
    assert [JOURNAL.dump_json(each) for each in found.entries] == [JOURNAL.dump_json(each) for each in entries]
    assert found.damaged == []


def test_an_entry_with_a_missing_part_is_told_and_the_others_come(server, past: Past, site) -> None:
    entries = journal()
    lines = [lines_of(entry_row(each, seq), site) for seq, each in enumerate(entries, 1)]
    count = len(lines[1])
    server.write([*lines[0], *(line for n, line in enumerate(lines[1]) if n != 1), *lines[2], *lines[3]])
    found = past.journal(site)
    assert found.entries == [entries[0], *entries[2:]]
    assert found.damaged == [Damaged(START - 4, f"{count - 1} of its {count} parts are there")]


def test_an_entry_of_another_version_is_told_and_the_others_come(server, past: Past, site) -> None:
    text = '{"kind":"brewed","received":"2026-03-02T18:00:00.000Z"}'
    send(server, site, entry_row(journal()[0], 1), Row(2, "entry", START, START, None, None, text=text))
    found = past.journal(site)
    assert found.entries == journal()[:1]
    assert found.damaged == [Damaged(START, "it is of another version of this program")]


# --- what is missing -------------------------------------------------------------------------------------------------


def test_numbers_that_never_came_are_told_with_the_times_around_them(server, past: Past, site) -> None:
    rows = [row(each, seq) for seq, each in enumerate(fall(30), 1)]
    send(server, site, *rows[:10], *rows[12:20], *rows[21:], entry_row(journal()[3], 31))
    gaps = [Gap(11, 12, START + 9 * MINUTE, START + 12 * MINUTE), Gap(21, 21, START + 19 * MINUTE, START + 21 * MINUTE)]
    assert past.gaps(site) == gaps
    assert [gap.size for gap in gaps] == [2, 1]
    assert past.gaps(site, START, START + 12 * MINUTE) == gaps[:1]
    assert past.gaps(site, START + 15 * MINUTE, START + 25 * MINUTE) == gaps[1:]
    assert past.gaps(site, START, START + 5 * MINUTE) == []


def test_every_kind_of_row_has_its_number_and_no_other_measurement_counts(server, past: Past, site) -> None:
    name = site.replace(" ", "\\ ")
    send(server, site, row(fall(1)[0], 1), entry_row(journal()[1], 4))
    server.write([
        f"leeswatch_verdict,site={name},batch=amber-1 verdict=2i,seq=2i {START + 1}",
        f"leeswatch_alert,site={name},alert=probe-silent,about=probe:p,change=raised standing=1i,seq=3i {START + 2}",
        f"leeswatch_relay,site={name} waiting=0i,seq=9i {START + 3}",
    ])  # fmt: skip
    assert past.gaps(site) == []


def test_a_gap_that_reaches_over_days_is_told_from_both_its_edges(server, past: Past, site) -> None:
    send(server, site, *(row(each, seq) for seq, each in enumerate(fall(5), 1)))
    send(server, site, *(row(each, seq) for seq, each in enumerate(fall(5, start=START + 9 * DAY), 100)))
    gap = Gap(6, 99, START + 4 * MINUTE, START + 9 * DAY)
    assert past.gaps(site, START - HOUR, START + HOUR) == [gap]
    assert past.gaps(site, START + 4 * DAY, START + 5 * DAY) == [gap]
    assert past.gaps(site, START + 9 * DAY - HOUR, START + 9 * DAY + HOUR) == [gap]
    assert past.gaps(site, START + 9 * DAY + MINUTE, START + 9 * DAY + HOUR) == []


def test_what_came_late_is_no_gap(server, past: Past, site) -> None:
    rows = [row(each, seq) for seq, each in enumerate(fall(100), 1)]
    late = row(Reading("slow", "ph", START + MINUTE + 1, 4.5, START + 100 * MINUTE), 101)
    send(server, site, *rows, late)
    assert past.gaps(site, START, START + 5 * MINUTE) == []


# --- how it is asked -------------------------------------------------------------------------------------------------


def test_the_kind_is_told_by_the_version_header(server: Served) -> None:
    with past_of(server.relay()) as past:
        assert past.how == {
            "VictoriaMetrics": "the export API of VictoriaMetrics", "Influxd": "InfluxQL"
        }[type(server).__name__]  # fmt: skip


def test_more_rows_than_fit_into_a_piece_of_an_answer_come_whole_and_never_lie_in_memory_all_at_once(
    server, past: Past, site
) -> None:
    count = 100_003
    readings = (Reading("p", "ph", START + n * 1000, n / 1000, START + n * 1000 + 1) for n in range(count))
    lines = (line for seq, each in enumerate(readings, 1) for line in lines_of(row(each, seq), site))
    while piece := list(itertools.islice(lines, 10_000)):
        server.write(piece)
    tracemalloc.start()
    try:
        for n, found in enumerate(past.readings(site)):
            assert found.value == n / 1000
        assert past.gaps(site) == []
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert n == count - 1
    assert most < 8 << 20


def test_one_ends_and_another_begins(server, site) -> None:
    """What is read is what the server has at that moment: nothing is kept from an earlier look."""
    with past_of(server.relay()) as past:
        assert list(past.readings(site)) == []
        send(server, site, row(fall(1)[0], 1))
        assert list(past.readings(site)) == fall(1)
