"""Every formula is in the table, with its source and what checks it."""

import importlib
import inspect
import json
import pkgutil
from pathlib import Path

import pytest

from monitor import science
from monitor.cli.main import main
from monitor.science import provenance

TESTS = Path(__file__).parent


def public_functions():
    """Names of all functions that other rooms may call, but for those of the table itself."""
    found = set()
    for module in pkgutil.iter_modules(science.__path__):
        if module.name.startswith("_") or module.name == "provenance":
            continue
        room = importlib.import_module(f"monitor.science.{module.name}")
        for name, thing in vars(room).items():
            ours = inspect.isfunction(inspect.unwrap(thing)) and thing.__module__ == room.__name__
            if ours and not name.startswith("_"):
                found.add(f"{module.name}.{name}")
    return found


def test_no_function_is_missing_and_none_is_made_up():
    """The table holds exactly the public functions of the sciences."""
    assert {each.name for each in provenance.formulas()} == public_functions()


def test_every_formula_says_what_it_is_where_from_and_what_checks_it():
    """No entry is without a formula, a source or a check."""
    for each in provenance.formulas():
        assert each.formula, each.name
        assert len(each.source) > 5, each.name
        assert each.check, each.name


def test_the_named_test_calls_the_function():
    """The test module that an entry names exists and calls the function itself."""
    for each in provenance.formulas():
        module, function = each.name.split(".")
        text = (TESTS / f"{each.test}.py").read_text(encoding="utf-8")
        assert f"{module}.{function}" in text or f"import {function}" in text, each.name


def test_a_name_that_is_none_is_refused():
    """Asking for the source of nothing is an error with the name in it."""
    with pytest.raises(ValueError, match=r"one of the table; it is 'yeast\.nothing'"):
        provenance.source("yeast.nothing")


def test_the_command_prints_them_all(capsys, monkeypatch):
    """`calc --sources` prints every entry, within 80 columns, and as JSON."""
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["calc", "--sources"]) == 0
    said = capsys.readouterr().out
    assert max(len(line) for line in said.splitlines()) <= 80
    for each in provenance.formulas():
        assert f"{each.name}\n" in said
    assert main(["calc", "--sources", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told) == len(provenance.formulas())
    assert all(set(each) == {"function", "formula", "source", "checked"} for each in told)
