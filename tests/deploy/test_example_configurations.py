"""The shipped configurations, as the program reads them."""

import re
import tomllib
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.model.config import Jobs, Mqtt, Section, Settings, StoreSettings, Web
from monitor.settings import load_settings

TOP = Path(__file__).parents[2]
EXAMPLE = TOP / "config/leeswatch.example.toml"
FILES = sorted((TOP / "config").glob("*.toml"))


@pytest.mark.parametrize("file", FILES, ids=lambda path: path.name)
def test_every_shipped_configuration_passes_the_check(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`leeswatch check` calls each of them good, ways to a person included."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))

    assert main(["check", "--config", str(file)]) == 0
    assert f"{file}: good; " in capsys.readouterr().out


def test_the_least_configuration_is_one_probe_one_vessel_and_one_batch() -> None:
    """What a newcomer must write is no more than that."""
    settings = load_settings(TOP / "config/minimal.toml")

    assert [len(getattr(settings, kind)) for kind in ("probe", "vessel", "batch", "room", "fridge")] == [
        1,
        1,
        1,
        0,
        0,
    ]


def sections(model: type[Section]) -> dict[str, type[Section]]:
    """A section's own keys, and those of the sections within."""
    found = {model.__name__: model}
    for field in model.model_fields.values():
        for kind in (field.annotation, *getattr(field.annotation, "__args__", ())):
            if isinstance(kind, type) and issubclass(kind, Section):
                found |= sections(kind)
            for inner in getattr(kind, "__args__", ()):
                if isinstance(inner, type) and issubclass(inner, Section):
                    found |= sections(inner)
    return found


def test_the_example_shows_every_key_there_is() -> None:
    """Each key of each section stands in the example, in use or commented out."""
    text = EXAMPLE.read_text(encoding="utf-8")
    keys = {key for model in sections(Settings).values() for key in model.model_fields}
    tables = ".".join(re.findall(r"(?m)^#?\[+([a-z_.]+)\]", text)).split(".")
    shown = {*tables, *re.findall(r"(?m)^#?([a-z_]+) = ", text)}

    assert keys - shown == set()


def test_what_is_commented_out_is_valid_too(tmp_path: Path) -> None:
    """The example with every commented key in use is taken as well."""
    text = re.sub(r"(?m)^#(?=\[|[a-z_]+ = )", "", EXAMPLE.read_text(encoding="utf-8"))
    assert tomllib.loads(text)["jobs"]["heartbeat_url"]
    file = tmp_path / "all.toml"
    file.write_text(text, encoding="utf-8")

    assert load_settings(file).web.password_file == tmp_path / "page-password"


def test_the_values_shown_for_the_machinery_are_its_defaults() -> None:
    """As the example says: store, broker, calendar and page are shown with what they are when left out."""
    shown = load_settings(EXAMPLE)

    assert (shown.store, shown.mqtt, shown.jobs, shown.web) == (StoreSettings(), Mqtt(), Jobs(), Web())
