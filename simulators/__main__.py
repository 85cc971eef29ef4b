"""`python -m simulators`: list the scenarios, or write one as recording, configuration and truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulators.play import Player
from simulators.record import write
from simulators.scenario import ScenarioError, load, names


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 done, 1 the scenario cannot be used, 2 wrong use."""
    parser = argparse.ArgumentParser(
        prog="python -m simulators",
        description="Simulated cellars for trying and testing Leeswatch.",
        epilog="Example: python -m simulators two-siblings --out demo-data",
    )
    parser.add_argument("scenario", help="a scenario's name, a path to its .toml, or 'list'")
    parser.add_argument("--out", type=Path, help="folder for the files (made if needed)")
    parser.add_argument("--no-received", action="store_true", help="rows in time order, without the received column")
    given = parser.parse_args(arguments)
    try:
        if given.scenario == "list":
            for name in names():
                sys.stdout.write(f"{name:24} {load(name).summary}\n")
            return 0
        if given.out is None:
            parser.error("--out FOLDER is needed")
        for what, path in write(Player(load(given.scenario)), given.out, received=not given.no_received).items():
            sys.stdout.write(f"{what:14} {path}\n")
    except ScenarioError as reason:
        sys.stderr.write(f"{reason}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
