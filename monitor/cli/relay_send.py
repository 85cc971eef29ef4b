"""`leeswatch relay status | backfill | refused`: what goes to the time-series server."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any

from monitor.cli.common import Commands, command, local, moment, now_ms, reader_of, say_json, settings_of, with_config
from monitor.cli.common import with_json as with_json_
from monitor.control import ask
from monitor.model.config import Settings
from monitor.model.errors import StoreError, UsageError
from monitor.relay import backfill
from monitor.rules.health import span_words
from monitor.settings import store_path
from monitor.store.outbox import Backlog
from monitor.store.reader import Reader
from monitor.store.relayed import gaps, stretches

NONE_SET = "no [relay] is configured"
SET_ONE = 'add [relay] with url = "http://…" to the configuration (README, "Several Pis, one memory")'


def add_sending(verbs: Commands) -> None:
    """Add the verbs."""
    status = command(
        verbs, "status", "What waits for the time-series server, and how it answers.", "leeswatch relay status", _status
    )
    with_config(status)
    with_json_(status)
    past = command(
        verbs, "backfill", "Send what came in before the relay was configured, or while it was not.",
        "leeswatch relay backfill --from 2026-03-01T00:00:00Z\n  leeswatch relay backfill --batch amber-1", _backfill,
    )  # fmt: skip
    past.add_argument("--from", dest="start", metavar="T", help="only what was measured then or later")
    past.add_argument("--to", dest="end", metavar="T", help="only what was measured before")
    past.add_argument("--batch", metavar="NAME", help="only what was measured while this batch was at work")
    with_config(past)
    with_json_(past)
    refused = command(
        verbs, "refused", "Rows that the server would not take, with what it said of each.",
        "leeswatch relay refused", _refused,
    )  # fmt: skip
    with_config(refused)
    with_json_(refused)
    refused.add_argument("--most", type=int, default=50, metavar="N", help="how many, newest first (default 50)")


def _status(args: argparse.Namespace) -> int:
    """0 while it keeps up, 1 while it is behind or none is configured."""
    settings = settings_of(args)
    with reader_of(settings) as reader:
        found = reader.backlog()
        wanted = backfill.jobs(reader)
        missing = _missing(reader)
    answer = ask(store_path(settings), {"ask": "health"})
    running: dict[str, Any] | None = answer["health"].get("relay") if answer is not None else None
    now = now_ms(settings)
    age = 0 if found.oldest_ms is None else now - found.oldest_ms
    good = settings.relay is not None and age <= settings.relay.behind_after * 1000
    if args.json:
        say_json({
            "configured": settings.relay is not None, "daemon": answer is not None, "relay": running,
            "backlog": asdict(found), "oldest_age_s": age // 1000, "past_wanted": [asdict(job) for job in wanted],
            "never_queued": [list(gap) for gap in missing],
        })  # fmt: skip
        return 0 if good else 1
    for line in _sentences(settings, found, running, age, daemon=answer is not None):
        print(line)
    if wanted:
        print(f"What came before is on its way: {sum(job.queued for job in wanted)} rows queued so far.")
    elif missing and settings.relay is not None:
        since, until = missing[0][0], missing[-1][1]
        what = f"until {local(until, settings)}" if since == 0 else f"from {local(since, settings)} on, with gaps,"
        print(f"What came in {what} was never sent: `leeswatch relay backfill` sends it.")
    return 0 if good else 1


def _missing(reader: Reader) -> list[tuple[int, int]]:
    """Stretches of the past that hold something and were never queued."""
    found = stretches(reader)
    last = reader.last_received()
    return [gap for gap in gaps(found, found[-1][1] if found else last) if reader.holds(*gap)]


def _sentences(
    settings: Settings, found: Backlog, running: dict[str, Any] | None, age: int, *, daemon: bool
) -> list[str]:
    relay = settings.relay
    today = found.waiting - found.past
    if relay is None:
        lines = [f"{NONE_SET[0].upper()}{NONE_SET[1:]}: {SET_ONE}."]
        return [*lines, f"{found.waiting + found.held} rows of an earlier one are kept."] if found.waiting else lines
    lines = [f"To {relay.url}, bucket {relay.bucket}."]
    if not daemon:
        lines.append("No daemon runs, so nothing is sent just now: start `leeswatch run`.")
    elif running is None:
        lines.append("The daemon that runs knows of no [relay]: start it anew.")
    elif running["failures"]:
        lines.append(f"It does not go out: {running['error']}.")
        lines.append("It is tried again by itself; nothing is lost meanwhile.")
    elif running["last_sent_ms"] is not None:
        lines.append(
            f"Sent last at {local(running['last_sent_ms'], settings)}; {running['sent']} rows since the start."
        )
    waits = f"{today} rows wait" if today != 1 else "1 row waits"
    lines.append(waits + (f", the oldest for {span_words(age)}." if today and age >= 60_000 else "."))
    if found.past:
        lines.append(f"{found.past} rows of the past wait behind them.")
    lines.append(f"{found.held} rows that the server took are held until they are safe there.")
    if found.refused:
        lines.append(f"{found.refused} rows were refused and set aside: leeswatch relay refused")
    return lines


def _backfill(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    if settings.relay is None:
        raise UsageError(NONE_SET, SET_ONE)
    request: dict[str, Any] = {"ask": "relay-past", "from": None, "to": None}
    if args.batch is not None:
        if args.start is not None or args.end is not None:
            raise UsageError("--batch says already from when to when", "leave out --from and --to")
        request["from"], request["to"] = _of_batch(settings, args.batch)
    else:
        request["from"] = moment(args.start, settings) if args.start is not None else None
        request["to"] = moment(args.end, settings) - 1 if args.end is not None else None
    try:
        span = backfill.span_of(request)
    except ValueError as error:
        raise UsageError(str(error), "give --from the earlier time and --to the later one") from error
    path = store_path(settings)
    answer = ask(path, request)
    if answer is None:
        from monitor.store.store import Store  # noqa: PLC0415 - only where no daemon runs

        reader_of(settings).close()  # there must be a store, and of this version
        with Store.open(path) as store, store.transaction():
            answer = {"job": asdict(backfill.want(store, *span))}
        later = "it goes out when `leeswatch run` is started"
    elif "job" not in answer:  # it took the question for an empty one
        raise StoreError("the daemon that runs is of before there was a relay, and has noted nothing", "start it anew")
    else:
        later = "it goes out behind what comes in; `leeswatch relay status` shows how far it is"
    if args.json:
        say_json(answer)
    else:
        print(f"Noted: {later}. What was sent already is passed over.")
    return 0


def _of_batch(settings: Settings, name: str) -> tuple[int, int]:
    from monitor.engine.state import State  # noqa: PLC0415 - half the engine, for this alone

    with reader_of(settings) as reader:
        state = State.restore(reader.state())
    batch = state.batches.get(name)
    if batch is None:
        raise UsageError(f'there is no batch "{name}"', f"batches: {', '.join(state.batches) or 'none yet'}")
    return batch.pitched_ms, batch.closed_ms if batch.closed_ms is not None else now_ms(settings)


def _refused(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    with reader_of(settings) as reader:
        found = reader.refused(args.most)
    if args.json:
        say_json([{"seq": seq, "time": time, "line": line, "reason": reason} for seq, time, line, reason in found])
        return 0
    if not found:
        print("The server has refused nothing.")
    for seq, time_ms, line, reason in found:
        print(f"{local(time_ms, settings)}  row {seq}: {reason}\n    {line[:200] or '(no line could be made of it)'}")
    return 0
