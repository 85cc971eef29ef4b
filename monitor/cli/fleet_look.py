"""A fleet as a person reads it: who is quiet first, each site's alerts worst first, each batch's sentence."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

from rich.text import Text

from monitor.fleet.sites import Picture, Seen
from monitor.fleet.summary import SaidOfBatch, Standing
from monitor.model.clock import DAY, MINUTE
from monitor.rules.health import span_words

BATCHES = 12  # of a site, unless all are asked for
_MARKS = {"reachable": ("✓", "green"), "quiet": ("■", "bold red"), "unsure": ("?", "bold yellow")}
_URGENCY = {"high": "bold red", "medium": "yellow", "low": ""}


def drawn(picture: Picture, *, whole: bool) -> Iterator[Text]:
    """Line by line."""
    yield Text(headline(picture), style="bold")
    if picture.own_clock:
        yield Text(picture.own_clock, style="bold yellow")
    for seen in picture.sites:
        yield Text()
        yield from _site(seen, picture.now_ms, whole=whole)
    if picture.more_sites:
        yield Text(f"\nThere are more sites than {len(picture.sites)}: the others are not shown.")
    if picture.strangers:
        yield Text("\nNot understood, and passed over:")
        for topic, count in sorted(picture.strangers.items()):
            yield Text(f"  {topic}: {count} message{'s' if count > 1 else ''}")


def headline(picture: Picture) -> str:
    """How many sites there are, how many are not heard, and how many alerts want somebody."""
    if not picture.sites:
        return (
            "No site is known on this broker. Each site's broker needs its bridge: see deploy/mosquitto/bridge.conf; "
            "here messages are awaited on fleet/SITE/leeswatch/… ."
        )
    quiet, unsure = (sum(seen.reach.how == how for seen in picture.sites) for how in ("quiet", "unsure"))
    calls = sum(len(seen.calls()) for seen in picture.sites)
    parts = [
        f"{len(picture.sites)} site{'s' if len(picture.sites) > 1 else ''}",
        f"{quiet or 'none'} quiet",
        *([f"{unsure} not sure"] if unsure else []),
        f"{calls or 'no'} urgent alert{'' if calls == 1 else 's'} that nobody has seen",
    ]
    return f"{', '.join(parts)}."


def _site(seen: Seen, now_ms: int, *, whole: bool) -> Iterator[Text]:
    reach, summary = seen.reach, seen.summary
    mark, style = _MARKS[reach.how]
    name = f" ({summary.site})" if summary is not None and summary.site != seen.site else ""
    since = f" since {moment(reach.since_ms, now_ms)}" if reach.since_ms is not None else ""
    why = f": {reach.why}" if reach.why else ""
    word = {"reachable": "is heard", "quiet": "is quiet", "unsure": "may be quiet"}[reach.how]
    yield Text.assemble((f"{mark} ", style), (seen.site, "bold"), name, " ", (f"{word}{since}", style), f"{why}.")
    if reach.clock:
        yield Text(f"    Note: {reach.clock}.", style="yellow")
    if summary is None:
        return
    if reach.how != "reachable":
        yield Text(f"    What it last said, {moment(summary.time_ms, now_ms)} by its own clock:")
    for alert in seen.alerts():
        yield _alert(alert)
    if summary.left_out.alerts:
        yield Text(f"    and {summary.left_out.alerts} less urgent alerts that its message had no room for")
    shown = summary.batches if whole else summary.batches[:BATCHES]
    width = max((len(batch.batch) for batch in shown), default=0)
    for batch in shown:
        yield _batch(batch, width)
    rest = len(summary.batches) - len(shown) + summary.left_out.batches
    if rest:
        kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(summary.verdicts.items()))
        yield Text(f"    and {rest} more; of all its batches: {kinds}")
    if not summary.batches and not rest:
        yield Text("    no open batch")
    if summary.probes.silent:
        yield Text(f"    {summary.probes.silent} of {summary.probes.all} probes silent")


def _alert(alert: Standing) -> Text:
    seen = "" if alert.state == "unacknowledged" else f" ({alert.state})"
    style = _URGENCY.get(alert.priority, "bold red")
    return Text.assemble("    ! ", (alert.priority, style), f" {alert.alert}{seen}: {alert.message}")


def _batch(batch: SaidOfBatch, width: int) -> Text:
    sure = f" ({batch.confidence:.0%} sure)".replace("%", " %") if batch.confidence is not None else ""
    words = f"{batch.sentence.removesuffix('.')}{sure}."
    return Text.assemble("    ", (f"{batch.batch:{width}}", "bold"), "  ", words)


def moment(ms: int, now_ms: int) -> str:
    """A time on this machine's wall, and how long ago that is."""
    then = datetime.fromtimestamp(ms / 1000, UTC).astimezone()
    ago = now_ms - ms
    date = "" if abs(ago) < DAY / 2 else f"{then:%a} {then.day} {then:%b} "
    gone = f"{span_words(ago)} ago" if ago >= MINUTE else "just now" if ago > -MINUTE else f"in {span_words(-ago)}"
    return f"{date}{then:%H:%M} ({gone})"
