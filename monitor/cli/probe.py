"""`leeswatch probe`: what is heard, where probes sit, and whether an alert reaches you."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter
from rich.console import Console
from rich.table import Table
from serial.tools.list_ports import comports

from monitor.alerts.routes import test_alert
from monitor.cli.common import (
    Commands,
    command,
    group,
    iso,
    local,
    moment,
    number,
    reader_of,
    say_json,
    settings_of,
    with_config,
    with_json,
    write,
)
from monitor.intake.values import plain
from monitor.model.config import Settings
from monitor.model.errors import SourceError, StoreError, UsageError
from monitor.model.inputs import ProbeMoved, Reading
from monitor.model.quantities import QUANTITIES
from monitor.rules.health import ProbeHealth
from monitor.sources.broker import hear_broker
from monitor.web.unread import latest_reasons, origin_of

LISTEN_S = 60.0
OWN = "leeswatch/"  # topics on which we speak ourselves
WIDE = 160  # columns where nobody can say how many there are: a file, a pipe
_HEALTH = TypeAdapter(ProbeHealth)


def add(commands: Commands) -> None:
    """Add the commands."""
    verbs = group(commands, "probe", "Probes: what is heard, moving one, a trial alert.", "leeswatch probe list")
    listing = command(
        verbs, "list", "Ports, everything heard on the broker for a minute, and what could not be read.",
        "leeswatch probe list --listen 10", _list,
    )  # fmt: skip
    with_config(listing)
    with_json(listing)
    listing.add_argument(
        "--listen", type=number, default=LISTEN_S, metavar="SECONDS", help="how long to listen (default 60, 0: do not)"
    )
    move = command(
        verbs, "move", "A probe sits elsewhere from now on; its old readings stay with the old place.",
        "leeswatch probe move float-a --to bucket-b", _move,
    )  # fmt: skip
    with_config(move)
    with_json(move)
    move.add_argument("probe", metavar="PROBE", help="its name")
    move.add_argument("--to", required=True, metavar="PLACE", help="a vessel, room or fridge, or `out`")
    move.add_argument("--when", metavar="T", help="when it was moved (default: now)")
    trial = command(
        verbs, "test-alert", "Send a trial alert over every route and say which arrived.",
        "leeswatch probe test-alert", _test_alert,
    )  # fmt: skip
    with_config(trial)
    with_json(trial)


# --- list --------------------------------------------------------------------------------------------------------


def _list(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    found: dict[str, Any] = {
        "probes": _known(settings),
        "ports": _serial_ports(),
        "topics": {},
        "unreadable": _unreadable(settings),
    }
    broker = _hear(settings, args.listen, quiet=args.json)
    found.update(broker)
    if args.json:
        say_json(found)
    else:
        _print(found, settings)
    return 0


def _serial_ports() -> list[str]:
    """Ports by the names that stay when cables are moved, where there are such."""
    steady = sorted(str(path) for path in Path("/dev/serial/by-id").glob("*"))
    known = {str(Path(path).resolve()) for path in steady}
    return [*steady, *(port.device for port in comports() if port.device not in known)]


def _hear(settings: Settings, seconds: float, *, quiet: bool) -> dict[str, Any]:
    if settings.mqtt is None or seconds <= 0:
        return {}
    if not quiet:
        print(f"listening on the broker {settings.mqtt.host}:{settings.mqtt.port} for {seconds:.0f} s ...", flush=True)
    try:
        heard = hear_broker(settings.mqtt, seconds)
    except SourceError as error:
        return {"broker": str(error)}
    return {
        "topics": {
            topic: {"messages": count, "last": last.decode("utf-8", "replace")}
            for topic, (count, last) in heard.items()
        }
    }


def _known(settings: Settings) -> list[dict[str, Any]]:
    """Configured probes and all that were ever heard, each with its health."""
    try:
        with reader_of(settings) as reader:
            state, latest, reasons = reader.state(), reader.latest(), latest_reasons(reader)
    except StoreError:
        state, latest, reasons = {}, [], {}
    places = json.loads(state.get("places", b"{}"))
    heard = dict.fromkeys(reading.probe for reading in latest)
    rows = []
    for name in dict.fromkeys([*(probe.name for probe in settings.probe), *heard]):
        piece = state.get(f"probe:{name}")
        health = _HEALTH.validate_json(piece) if piece else None
        known = health.status() if health and name in heard else None
        status, why = known or _unheard(settings, name, reasons)
        spans = places.get(name)
        rows.append({
            "probe": name, "status": str(status), "why": why,
            "place": spans[-1][1] if spans else _configured_place(settings, name),
            "last": [_said(reading) for reading in latest if reading.probe == name],
        })  # fmt: skip
    return rows


def _said(reading: Reading) -> dict[str, Any]:
    unit = QUANTITIES[reading.quantity].unit
    return {"quantity": reading.quantity, "value": reading.value, "unit": unit, "time": iso(reading.measured_ms)}


def _unheard(settings: Settings, name: str, reasons: dict[str, tuple[int, str]]) -> tuple[str, str]:
    """Nothing of it was kept: either nothing came, or what came could not be read."""
    probe = next((each for each in settings.probe if each.name == name), None)
    origin = origin_of(probe) if probe else None
    if origin and origin in reasons:
        at, reason = reasons[origin]
        return "unreadable", f"what came at {iso(at)} could not be read: {reason}"
    return "never heard", _waits_for(settings, name)


def _waits_for(settings: Settings, name: str) -> str:
    probe = next((each for each in settings.probe if each.name == name), None)
    if probe is None:
        return ""
    where = {"mqtt": f"topic {probe.topic}", "serial": f"port {probe.port}", "onewire": f"device {probe.device}"}
    return f"waiting for {where.get(probe.source, 'a reading by hand')}"


def _configured_place(settings: Settings, name: str) -> str | None:
    for kind, parts in (("vessel", settings.vessel), ("room", settings.room), ("fridge", settings.fridge)):
        for part in parts:
            if name in part.probes:
                return f"{kind}:{part.name}"
    return None


def _unreadable(settings: Settings) -> list[dict[str, Any]]:
    try:
        with reader_of(settings) as reader:
            rows = reader.unreadable(20)
    except StoreError:
        return []
    return [
        {"time": iso(at), "source": source, "origin": origin, "reason": reason,
         "content": content.decode("utf-8", "backslashreplace")}
        for at, source, origin, reason, content in rows
    ]  # fmt: skip


def _print(found: dict[str, Any], settings: Settings) -> None:
    out = Console(highlight=False)
    if not out.is_terminal:
        out.width = max(out.width, WIDE)
    table = Table("probe", "place", "status", "last values", title="Probes", title_justify="left")
    for row in found["probes"]:
        values = ", ".join(
            f"{each['quantity']} {each['value']:g} {each['unit']}".removesuffix(" 1") for each in row["last"]
        )
        status = f"{row['status']}: {row['why']}" if row["why"] else row["status"]
        table.add_row(row["probe"], row["place"] or "nowhere", status, values or "none")
    out.print(table if found["probes"] else "No probe is configured and none was ever heard.")
    out.print(f"Serial ports: {', '.join(found['ports']) or 'none'}", markup=False)
    if "broker" in found:
        out.print(f"The broker could not be heard: {found['broker']}", markup=False)
    elif settings.mqtt is not None:
        configured = {probe.topic for probe in settings.probe}
        configured |= {f"{topic}/status" for topic in configured}
        for topic, each in found["topics"].items():
            ours = "  (our own)" if topic.startswith(OWN) else "  (no probe has this topic)"
            known = "" if topic in configured else ours
            last = plain(each["last"], 80)
            out.print(f"{plain(topic)}: {each['messages']} messages, last {last}{known}", markup=False)
        if not found["topics"]:
            out.print("Nothing was heard on the broker.")
    if found["unreadable"]:
        out.print("Could not be read, latest first:")
        for each in found["unreadable"]:
            words = f"{plain(each['origin'])}: {plain(each['reason'])}: {plain(each['content'], 60)}"
            out.print(f"  {each['time']} {words}", markup=False)


# --- move and trial ----------------------------------------------------------------------------------------------


def _move(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    known = {row["probe"] for row in _known(settings)}
    if args.probe not in known:
        raise UsageError(f'there is no probe "{args.probe}"', f"probes: {', '.join(sorted(known)) or 'none'}")
    to = _place(settings, args.to)
    at = moment(args.when, settings)
    write(settings, [ProbeMoved(probe=args.probe, to=to, at=at)])
    if args.json:
        say_json({"probe": args.probe, "to": to, "at": iso(at)})
    else:
        print(f"{args.probe}: in {to or 'no place'} since {local(at, settings)}"
              + ("; in function check until three steady readings" if to else ""))  # fmt: skip
    return 0


def _place(settings: Settings, name: str) -> str | None:
    if name == "out":
        return None
    places = {
        f"{kind}:{part.name}"
        for kind, parts in (("vessel", settings.vessel), ("room", settings.room), ("fridge", settings.fridge))
        for part in parts
    }
    found = [place for place in places if name in (place, place.partition(":")[2])]
    if len(found) != 1:
        what = "no place" if not found else "more than one place"
        raise UsageError(f'{what} is called "{name}"', f"places: out, {', '.join(sorted(places))}")
    return found[0]


def _test_alert(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    if not settings.alerts.routes:
        raise UsageError("no route is configured", "add [[alerts.routes]] with a name and a url")
    results = test_alert(settings.alerts.routes, settings.site.name)
    if args.json:
        say_json([{"route": name, "ok": ok, "reason": reason} for name, ok, reason in results])
    else:
        for name, ok, reason in results:
            print(f"{name}: {'sent' if ok else f'failed: {reason}'}")
    return 0 if all(ok for _, ok, _ in results) else 1
