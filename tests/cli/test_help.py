"""Every command says how it is used, and wrong use is answered in words."""

import argparse
import re
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from monitor import __version__
from monitor.cli.main import COMMANDS, build_parser

from .helpers import TOP, run_here, run_there

CONTRACT = ("demo", "run", "check", "replay", "batch", "probe", "export")


Words = tuple[str, ...]


def walk(parser: argparse.ArgumentParser, words: Words = ()) -> Iterator[tuple[Words, argparse.ArgumentParser]]:
    """Every command and verb, by the words that lead to it."""
    yield words, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, inner in action.choices.items():
                yield from walk(inner, (*words, name))


ALL = dict(walk(build_parser()))


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_command_shows_an_example_that_works(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """`--help` exits 0 and ends with an example that the command line accepts, perhaps with what it answers."""
    code, out, err = run_here(capsys, *words, "--help")
    assert (code, err) == (0, "")
    found = re.search(r"example:\n  (leeswatch .*)\n((?:  .*\n)*)\Z", out)
    assert found

    arguments = shlex.split(found[1])[1:]
    assert tuple(arguments[: len(words)]) == words
    assert callable(build_parser(arguments[0]).parse_args(arguments).run)
    answer = " ".join(line.strip() for line in found[2].splitlines() if not line.startswith("  leeswatch"))
    if answer:
        code, printed, err = run_here(capsys, *arguments)
        assert (code, err) == (0, "")
        assert " ".join(printed.split()).startswith(answer)


@pytest.mark.parametrize("words", [words for words in ALL if words], ids=" ".join)
def test_every_option_is_explained(words: tuple[str, ...]) -> None:
    """No argument of any command is without its line of help."""
    for action in ALL[words]._actions:
        explained = action.help or isinstance(action, argparse._SubParsersAction) or action.choices
        assert explained, f"{' '.join(words)} {action.option_strings or action.dest}"


def test_the_commands_of_the_contract_are_there() -> None:
    """What other programs and people rely on has its name."""
    assert set(CONTRACT) <= set(COMMANDS)


def test_the_list_of_commands_says_what_each_says_of_itself() -> None:
    """The summaries are kept apart from the commands, so that the list loads none of them; they are the same."""
    assert {words[0]: parser.description for words, parser in ALL.items() if len(words) == 1} == COMMANDS


VERBS = {
    words[0]: {each[1] for each in ALL if each[:1] == words and len(each) == 2} for words in ALL if len(words) == 1
}


def test_a_sentence_names_no_command_that_is_not_there() -> None:
    """Whoever types what a message advises finds the command, and its verb, where it has verbs."""
    told = re.compile(r"leeswatch (batch|yeast|probe|alert|relay) ([a-z][a-z-]+)")
    wrong = [
        f"{file.name}: {found[0]}"
        for file in (TOP / "monitor").rglob("*.py")
        for found in told.finditer(file.read_text(encoding="utf-8"))
        if found[2] not in VERBS[found[1]]
    ]
    assert wrong == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "COMMAND"),
        (("brew",), "invalid choice: 'brew'"),
        (("batch",), "VERB"),
        (("check", "--confg", "x"), "--confg"),
        (("replay", "x.csv"), "--config"),
        (("export",), "--out"),
        (("batch", "reading", "amber-1", "heavy"), "invalid number value: 'heavy'"),
        (("batch", "reading", "amber-1", "1.012", "--at", "nan"), "invalid number value: 'nan'"),
        (("batch", "stage", "amber-1", "bottled"), "invalid choice: 'bottled'"),
        (("demo", "--for", "inf"), "invalid number value: 'inf'"),
    ],
    ids=" ".join,
)
def test_wrong_use_is_two(words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    """It exits 2, with the usage and what is wrong on the error output and nothing on the other."""
    code, out, err = run_here(capsys, *words)

    assert (code, out) == (2, "")
    assert said in err
    assert "usage: leeswatch" in err


def test_the_version_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """`--version` names the program and its version."""
    assert run_here(capsys, "--version") == (0, f"leeswatch {__version__}\n", "")


def test_help_loads_no_library(capsys: pytest.CaptureFixture[str]) -> None:
    """The list of commands comes at once: none of the libraries behind the commands is loaded for it."""
    code = (
        "import sys; from monitor.cli.main import main; main(['--help'])\n"
        "heavy = 'pydantic apprise apscheduler paho rich serial pint jinja2 starlette uvicorn influxdb_client'\n"
        "print([name for name in heavy.split() if name in sys.modules], file=sys.stderr)"
    )
    begun = time.monotonic()
    done = subprocess.run([sys.executable, "-c", code], cwd=TOP, capture_output=True, text=True, check=True)

    assert done.stderr.strip() == "[]"
    assert "leeswatch demo" in done.stdout
    assert time.monotonic() - begun < 3.0, "0.03 s where it was measured"


@pytest.mark.parametrize("command", ["check", "batch", "alert", "export"])
def test_a_quick_command_does_not_load_the_daemon(command: str) -> None:
    """Commands that only look load neither sources, routes' library, calendar, nor the page."""
    code = (
        f"import sys; from monitor.cli.main import build_parser; build_parser({command!r})\n"
        "heavy = 'apprise apscheduler paho rich serial pint starlette uvicorn influxdb_client monitor.app'\n"
        "print([name for name in heavy.split() if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=TOP, capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


def test_ctrl_c_is_no_traceback(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Interrupted, a command exits as shells expect: 130."""

    def interrupt(*_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("monitor.cli.check.run", interrupt)
    assert run_here(capsys, "check")[0] == 130


def test_module_and_program_are_the_same() -> None:
    """`python -m monitor.cli.main` is the program itself."""
    done = run_there("--version")

    assert (done.returncode, done.stdout) == (0, f"leeswatch {__version__}\n")
