"""How early, how late and how often wrong: `python -m tests.benchmarks.detection --help`, in the project's folder.

Simulated batches (`truth`, `kinetics`), told and heard with all a float's faults (`cellar`), through the monitor's own
engine (`ours`) and beside it through other methods on the same readings (`baselines`); scored against the truth
(`score`). Development seeds and report seeds are two ranges fixed in `cellar`: rules are never tuned to the latter.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

from tests.benchmarks import baselines, ours, score
from tests.benchmarks.cellar import WITNESSES, make, seed_of
from tests.benchmarks.ours import Options
from tests.benchmarks.score import Rate, Scored, Summary
from tests.benchmarks.truth import FAMILIES

OURS = "leeswatch"
Job = tuple[int, str | None, Options, bool]


def trial(job: Job) -> dict[str, Scored]:
    """One seed, by all methods."""
    seed, family, options, beside = job
    made = make(seed, family)
    said = ours.run(made, options)
    changes, hints = score.changes_of(said.events)
    found = {OURS: score.score(made, changes, hints, said.tick_s)}
    found[OURS].failed = said.failed
    score.score_ranges(found[OURS], made.truth, said.events)
    if beside:
        for judge in baselines.run(made):
            found[judge.name] = score.score(made, judge.changes, [], judge.cost_s)
    return found


def run(jobs: Sequence[Job], workers: int) -> Iterator[dict[str, Scored]]:
    """All seeds, in any order."""
    if workers <= 1:
        yield from map(trial, jobs)
        return
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        yield from pool.imap_unordered(trial, jobs, chunksize=4)


# --- the table ---------------------------------------------------------------------------------------------------


def _percent(rate: Rate) -> str:
    if math.isnan(rate.value):
        return "–"
    return f"{100 * rate.value:.2f} ({100 * rate.low:.2f}–{100 * rate.high:.2f})"


def _pair(pair: tuple[float, float]) -> str:
    return "–" if math.isnan(pair[0]) else f"{pair[0]:.0f} / {pair[1]:.0f}"


def _row(name: str, found: Summary) -> list[str]:
    return [
        name,
        f"{found.trials}",
        _percent(found.early),
        _percent(found.false_finish),
        _pair(found.delay),
        _percent(found.never),
        _percent(found.never_warm),
        _percent(found.early_hint),
        _pair(found.hint_delay),
        _percent(found.recall["high"]),
        _pair(found.stall_delay["high"]),
        _percent(found.recall["all"]),
        f"{found.false_stalls.value:.2f} ({found.false_stalls.low:.2f}–{found.false_stalls.high:.2f})",
        f"{_pair(found.let_go)} ({found.let_go_of[0]}/{found.let_go_of[1]})",
        f"{found.cost_ms:.3f}",
    ]


HEAD = ["", "batches", "early %", "false finish %", "delay h", "never %", "never, warm %", "page early %",
        "page delay h",
        "high stall recall %", "delay h", "stall recall %", "false stalls/1000 d", "let go h", "ms/h"]  # fmt: skip


def table(rows: Sequence[Sequence[str]]) -> str:
    """Columns set under each other."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return "\n".join("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows)


def report(scores: dict[str, list[Scored]]) -> str:
    """All figures, for people. Pairs are median / 95th percentile; bounds are exact, 95 %."""
    parts = [table([HEAD, *(_row(name, score.summarise(each)) for name, each in scores.items())])]
    mine = scores[OURS]
    families = [name for name in FAMILIES if any(each.family == name for each in mine)]
    by_family = {name: score.summarise([each for each in mine if each.family == name]) for name in families}
    parts.append("by family\n" + table([HEAD, *(_row(name, found) for name, found in by_family.items())]))
    whole = score.summarise(mine)
    for what, kinds in (("finishes", whole.kinds), ("stalls", whole.false_stall_kinds)):
        parts.append(f"false {what}: " + (", ".join(f"{kind} {n}" for kind, n in sorted(kinds.items())) or "none"))
    parts.append("spread: the same figures in five parts of the seeds\n" + _spread(mine))
    names = list(whole.covered)
    covered = [["90 % ranges hold the truth, %", *names]]
    for name, found in {"all": whole, **by_family}.items():
        covered.append([name, *(_percent(found.covered[each]) if each in found.covered else "–" for each in names)])
    parts.append(table(covered))
    said = [["said", "with confidence", "events", "right %"]]
    for verdict, bins in whole.reliability.items():
        said += [[verdict, f"{low:.2f}–{high:.2f}", f"{rate.of:.0f}", _percent(rate)] for low, high, rate in bins]
    parts.append(table(said))
    failed = [each for each in mine if each.failed is not None]
    if failed:
        parts.append(f"THE ENGINE BROKE on {len(failed)} batches, first on seed {failed[0].seed}: {failed[0].failed}")
    return "\n\n".join(parts)


def _spread(scores: Sequence[Scored], parts: int = 5) -> str:
    rows = [HEAD]
    for number in range(parts):
        some = scores[number * len(scores) // parts : (number + 1) * len(scores) // parts]
        if some:
            rows.append(_row(f"{some[0].seed}–{some[-1].seed}", score.summarise(some)))
    return table(rows)


def as_json(scores: dict[str, list[Scored]], arguments: argparse.Namespace) -> dict[str, object]:
    """The same for machines, with the seeds of what went wrong."""
    mine = scores[OURS]
    return {
        "trials": arguments.trials,
        "seeds": arguments.seeds,
        "with": arguments.witness,
        "methods": {name: asdict(score.summarise(each)) for name, each in scores.items()},
        "families": {
            name: asdict(score.summarise([each for each in mine if each.family == name]))
            for name in FAMILIES
            if any(each.family == name for each in mine)
        },
        "broken_seeds": sorted(each.seed for each in mine if each.failed is not None),
        "false_finish_seeds": {each.seed: each.false_finish for each in mine if each.false_finish},
        "false_hint_seeds": {each.seed: each.false_hint for each in mine if each.false_hint},
        "false_stall_seeds": {each.seed: each.false_stalls for each in mine if each.false_stalls},
        "never_seeds": sorted(each.seed for each in mine if each.ended and each.delay is None),
        "missed_stall_seeds": sorted(each.seed for each in mine if each.stall == "high" and each.stall_delay is None),
    }


# --- the command -------------------------------------------------------------------------------------------------


def parser() -> argparse.ArgumentParser:
    """What may be asked for."""
    found = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.detection",
        epilog="for example: python -m tests.benchmarks.detection --trials 300 --with ambient --with hand",
    )
    found.add_argument("--trials", type=int, default=300)
    found.add_argument("--first", type=int, default=0, help="number of the first seed within its range")
    found.add_argument("--seeds", choices=("development", "report"), default="development")
    found.add_argument("--family", choices=list(FAMILIES), help="one family only")
    found.add_argument("--with", dest="witness", action="append", default=[], choices=[*WITNESSES, "final"],
                       help="hear one more witness; may be given several times")  # fmt: skip
    found.add_argument("--no-expected", action="store_true", help="tell no expected final gravity")
    found.add_argument("--no-float", action="store_true", help="no probe: hand readings only (give --with hand)")
    found.add_argument("--baselines", action=argparse.BooleanOptionalAction, default=True)
    found.add_argument("--jobs", type=int, default=2, help="processes")
    found.add_argument("--json", type=Path, metavar="OUT", help="write all figures, and the seeds of what went wrong")
    return found


def main(arguments: Sequence[str]) -> None:
    """Run and print."""
    asked = parser().parse_args(arguments)
    options = Options(frozenset(asked.witness), expected=not asked.no_expected, probe=not asked.no_float)
    seeds = [seed_of(asked.seeds, asked.first + number) for number in range(asked.trials)]
    jobs = [(seed, asked.family, options, asked.baselines) for seed in seeds]
    scores: dict[str, list[Scored]] = {}
    begun = time.perf_counter()
    for number, found in enumerate(run(jobs, asked.jobs), 1):
        for name, each in found.items():
            scores.setdefault(name, []).append(each)
        if sys.stderr.isatty() or number % 100 == 0 or number == len(jobs):
            spent = time.perf_counter() - begun
            print(f"{number} of {len(jobs)} batches, {spent:.0f} s", file=sys.stderr)
    heard = ", ".join(["float", *asked.witness]) if options.probe else ", ".join(asked.witness)
    print(f"{asked.seeds} seeds {seeds[0]}–{seeds[-1]}, heard: {heard}\n")
    print(report({name: sorted(each, key=lambda one: one.seed) for name, each in scores.items()}))
    if asked.json is not None:
        asked.json.write_text(json.dumps(as_json(scores, asked), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
