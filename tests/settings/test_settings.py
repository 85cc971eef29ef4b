"""Reading the configuration: everything wrong at once, each with its line, what was found and what is allowed."""

import string
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor import settings_words
from monitor.model.clock import parse_time
from monitor.model.config import RuleSettings, Settings
from monitor.model.errors import ConfigError, Problem
from monitor.settings import find_config, load_settings, parse_settings, store_path
from monitor.toml_lines import line_index

PROBE = '[[probe]]\nname = "p"\nsource = "hand"\n'
MQTT = '[[probe]]\nname = "p"\nsource = "mqtt"\n'
VESSEL = '[[vessel]]\nname = "v"\n'
BATCH = VESSEL + '[[batch]]\nname = "b"\nvessel = "v"\n'
PITCHED = BATCH + "pitched = 2026-03-02T18:00:00Z\n"
ROUTE = '[[alerts.routes]]\nname = "r"\n'
CURVE = PROBE + "[probe.calibration.float_angle]\n"


def problems(text: str) -> list[Problem]:
    """What is wrong with a configuration; nothing, if it is taken."""
    try:
        parse_settings(text)
    except ConfigError as error:
        return error.problems
    return []


# Each: the text, the line, where, a part of what was found, a part of what is allowed.
WRONG = {
    "a key in place of a table": ("site = 5", 1, "site", "found 5", "a table"),
    "two brackets for one": ('[[site]]\nname = "x"', 1, "site", "found a list", "[site] in single brackets"),
    "one bracket for two": ('[vessel]\nname = "x"', 1, "vessel", "found a table", "[[vessel]] in double brackets"),
    "a misspelt section": ('[probes]\nname = "x"', 1, "probes", "unknown key", "did you mean probe?"),
    "a misspelt key": ('[site]\nnmae = "x"', 2, "site.nmae", "unknown key", "did you mean name?"),
    "a key from nowhere": (PROBE + "colour = 1", 4, "probe[1].colour", "unknown key", "allowed here: name, source"),
    "a misspelt inner key": (
        '[mqtt]\n[mqtt.tls]\ncertifcate = "x"', 3, "mqtt.tls.certifcate", "unknown key", "did you mean certificate?",
    ),
    "a number for text": ("[site]\nname = 1.5", 2, "site.name", "found 1.5", "text in quotation marks"),
    "text for a number": ('[mqtt]\nport = "1883"', 2, "mqtt.port", 'found "1883"', "a whole number"),
    "true for a number": ("[mqtt]\nport = true", 2, "mqtt.port", "found true", "a whole number"),
    "a number for true": ("[web]\nenabled = 1", 2, "web.enabled", "found 1", "true or false"),
    "a port too high": ("[mqtt]\nport = 70000", 2, "mqtt.port", "found 70000", "less than or equal to 65535"),
    "a volume below nothing": (VESSEL + "volume_l = -1", 3, "vessel[1].volume_l", "found -1", "greater than 0"),
    "a volume without end": (VESSEL + "volume_l = inf", 3, "vessel[1].volume_l", "found inf", "finite"),
    "no number at all": (VESSEL + "volume_l = nan", 3, "vessel[1].volume_l", "found nan", "finite"),
    "a material unknown": (VESSEL + 'material = "wood"', 3, "vessel[1].material", 'found "wood"', "'glass' or 'steel'"),
    "text for a list": (VESSEL + 'probes = "p"', 3, "vessel[1].probes", 'found "p"', 'a list, such as ["a", "b"]'),
    "a path that is none": ("[store]\npath = 5", 2, "store.path", "found 5", "a path in quotation marks"),
    "a zone from Mars": (
        '[site]\ntimezone = "Mars/Olympus"', 2, "site.timezone", 'found "Mars/Olympus"', "Europe/Lisbon",
    ),
    "a name with a blank": (
        '[[vessel]]\nname = "Big B"', 2, "vessel[1].name", 'found "Big B"', "a-z, 0-9, dot, dash and underscore",
    ),
    "no name": ("[[vessel]]\nvolume_l = 5", 1, "vessel[1].name", "missing", "this key is needed"),
    "a span in words": ('[alerts]\nremind_every = "12 hours"', 2, "alerts.remind_every", "12 hours", '"12h"'),
    "a span without unit": ("[store]\nkeep_raw = 90", 2, "store.keep_raw", "found 90", '"12h"'),
    "a span of nothing": ('[store]\nkeep_raw = "0d"', 2, "store.keep_raw", 'found "0d"', "greater than 0"),
    "a time of day short": ('[jobs]\ndigest = "8:00"', 2, "jobs.digest", 'found "8:00"', '"07:30"'),
    "a time of day past midnight": (
        '[alerts]\nquiet = ["25:00", "07:00"]', 2, "alerts.quiet[1]", 'found "25:00"', '"07:30"',
    ),
    "quiet without end": ('[alerts]\nquiet = ["22:30"]', 2, "alerts.quiet[2]", "too few", "two"),
    "quiet with three": ('[alerts]\nquiet = ["22:30", "07:00", "08:00"]', 2, "alerts.quiet", "too many", "two"),
    "a date alone": (BATCH + "pitched = 2026-03-02", 6, "batch[1].pitched", "found 2026-03-02", "2026-03-02T18:00:00Z"),
    "a time of day alone": (BATCH + "pitched = 18:00:00", 6, "batch[1].pitched", "found 18:00:00", "offset"),
    "a time without offset": (
        BATCH + "pitched = 2026-03-02T18:00:00", 6, "batch[1].pitched", "found 2026-03-02T18:00:00", "its offset",
    ),
    "a time in words": (BATCH + 'pitched = "yesterday"', 6, "batch[1].pitched", "yesterday", "offset"),
    "a time as a number": (BATCH + "pitched = 20260302", 6, "batch[1].pitched", "found 20260302", "offset"),
    "a time long gone": (
        BATCH + "pitched = 1999-12-31T23:59:59Z", 6, "batch[1].pitched", "1999", "between the years 2000 and 2100",
    ),
    "never pitched": (BATCH, 3, "batch[1].pitched", "missing", "this key is needed"),
    "the range upside down": (
        PITCHED + "yeast_range_c = [26, 18]", 7, "batch[1].yeast_range_c", "found a list", "[lowest, highest]",
    ),
    "half a range": (PITCHED + "yeast_range_c = [18]", 7, "batch[1].yeast_range_c[2]", "too few", "two"),
    "gravity in points": (
        PITCHED + "original_gravity = 1062", 7, "batch[1].original_gravity", "found 1062", "less than or equal to 1.2",
    ),
    "an end above the beginning": (
        PITCHED + "original_gravity = 1.05\nexpected_final = 1.06", 8, "batch[1].expected_final", "1.06", "below",
    ),
    "no such vessel": (
        PITCHED.replace('vessel = "v"', 'vessel = "w"'), 5, "batch[1].vessel", '"w" is no vessel', "vessels: v",
    ),
    "no such room": (VESSEL + 'room = "attic"', 3, "vessel[1].room", '"attic" is no room', "add a [[room]]"),
    "another room": (
        VESSEL + 'room = "attic"\n[[room]]\nname = "cellar"', 3, "vessel[1].room", '"attic" is no room',
        "rooms: cellar",
    ),
    "no such content": ('[[fridge]]\nname = "f"\ncontents = ["q"]', 3, "fridge[1].contents", '"q"', "vessels: none"),
    "in two fridges": (
        VESSEL + '[[fridge]]\nname = "f"\ncontents = ["v"]\n[[fridge]]\nname = "g"\ncontents = ["v"]',
        8, "fridge[2].contents", "already stands in f", "one fridge",
    ),
    "a probe in two places": (
        VESSEL + 'probes = ["p"]\n[[room]]\nname = "r"\nprobes = ["p"]', 6, "room[1].probes", "sits in vessel v",
        "one place",
    ),
    "two probes of one name": (PROBE + PROBE, 5, "probe[2].name", '"p" is used twice', "used once"),
    "two vessels of one name": (VESSEL + VESSEL, 4, "vessel[2].name", '"v" is used twice', "used once"),
    "two routes of one name": (
        ROUTE + 'url = "json://h"\n' + ROUTE + 'url = "json://h"', 5, "alerts.routes[2].name", "used twice", "once",
    ),
    "a source unknown": (
        '[[probe]]\nname = "p"\nsource = "wifi"', 3, "probe[1].source", 'found "wifi"', "'mqtt', 'serial', 'onewire'",
    ),
    "a topic forgotten": (
        '[[probe]]\nname = "p"\nsource = "mqtt"', 1, "probe[1]", "does not fit", 'source = "mqtt" needs topic',
    ),
    "a port forgotten": ('[[probe]]\nname = "p"\nsource = "serial"', 1, "probe[1]", "does not fit", "needs port"),
    "a device forgotten": ('[[probe]]\nname = "p"\nsource = "onewire"', 1, "probe[1]", "does not fit", "needs device"),
    "a topic for all below": (
        MQTT + 'topic = "garage/#"', 4, "probe[1].topic", "'garage/#' stands for many topics", "write a [[probe]] for",
    ),
    "a topic for any one": (
        MQTT + 'topic = "garage/+/air"', 4, "probe[1].topic", "'garage/+/air' stands for many", "without + and #",
    ),
    "a topic with a nought": (MQTT + 'topic = "a\\u0000b"', 4, "probe[1].topic", "is no topic", "leeswatch probe list"),
    "a pattern that is none": (PROBE + 'pattern = "T=("', 4, "probe[1].pattern", '"T=("', "no regular expression"),
    "a pattern without names": (
        PROBE + 'pattern = "T=(.*)"', 4, "probe[1].pattern", "T=(.*)", "T=(?P<temperature>-?[0-9.]+)",
    ),
    "a pattern with other names": (
        PROBE + 'pattern = "(?P<temperature>.)(?P<warmth>.)"', 4, "probe[1].pattern", "warmth", "allowed names: time",
    ),
    "a field that is no quantity": (
        PROBE + '[probe.fields]\nwarmth = "t"', 5, "probe[1].fields.warmth", 'unknown name "warmth"', "'temperature'",
    ),
    "a field that is no path": (
        PROBE + '[probe.fields]\ntemperature = "a["', 5, "probe[1].fields.temperature", "no JMESPath", "JMESPath",
    ),
    "a unit unknown": (
        PROBE + '[probe.units]\ntemperature = "degX"', 5, "probe[1].units.temperature", "degX", "such as degF",
    ),
    "a unit of another quantity": (
        PROBE + '[probe.units]\ntemperature = "psi"', 5, "probe[1].units.temperature", "psi", "unit of that quantity",
    ),
    "a unit for no quantity": (
        PROBE + '[probe.units]\nwarmth = "degF"', 5, "probe[1].units.warmth", 'unknown name "warmth"', "'temperature'",
    ),
    "one point": (CURVE + "gravity = [[1, 1.0]]", 4, "probe[1].calibration.float_angle", "not fit", "two points"),
    "half a point": (
        CURVE + "gravity = [[1, 1.0], [2]]", 5, "probe[1].calibration.float_angle.gravity[2][2]", "too few", "two",
    ),
    "two targets": (
        CURVE + "gravity = [[1, 1.0], [2, 1.1]]\ntemperature = [[1, 1.0], [2, 1.1]]",
        4, "probe[1].calibration.float_angle", "not fit", "one target",
    ),
    "a curve that turns": (
        CURVE + "gravity = [[1, 1.0], [2, 1.1], [3, 1.05]]", 5, "probe[1].calibration.float_angle.gravity",
        "rise or fall", "rise or fall throughout",
    ),
    "a page for all": ('[web]\nhost = "0.0.0.0"', 1, "web", "does not fit", "password_file"),
    "no way at all": (ROUTE, 1, "alerts.routes[1]", "does not fit", "either url or url_file"),
    "two ways in one": (
        ROUTE + 'url = "json://h"\nurl_file = "u"', 1, "alerts.routes[1]", "does not fit", "either url or url_file",
    ),
    "no backup kept": ("[jobs]\nbackups_kept = 0", 2, "jobs.backups_kept", "found 0", "equal to 1"),
    "a bracket open": ("[site]\nname = [1, 2\n", 2, "syntax", "Unclosed array", "TOML"),
    "no quotation marks": ("[site]\nname = Cellar\n", 2, "syntax", "Invalid value", "quotation marks"),
    "a key twice": ('[site]\nname = "a"\nname = "b"\n', 3, "syntax", "overwrite", "TOML"),
    "a table twice": ('[site]\nname = "a"\n[site]\n', 3, "syntax", "declare", "TOML"),
    "nothing but brackets": ("x = " + "[" * 5_000, None, "syntax", "brackets", "TOML"),
    "a number too long": ("x = " + "9" * 5_000, 1, "syntax", "digits", "TOML"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_said_with_its_line_and_a_remedy(case: tuple[str, int | None, str, str, str]) -> None:
    """One wrong thing gives one problem, at its line, that says what was found and what is allowed."""
    text, line, where, found, allowed = case

    (problem,) = problems(text)

    assert (problem.line, problem.where) == (line, where)
    assert found in problem.found
    assert allowed in problem.allowed


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("original_gravity = 1050", "write 1.050; it should be less than"),
        ("original_gravity = 12.4", "12.4 looks like °Plato: that is 1.050; it should be less than"),
        ("expected_final = 1008.0", "write 1.008; "),
        ("expected_final = 2.5", "2.5 looks like °Plato: that is 1.010; "),
        ("original_gravity = 0.5", "it should be greater than"),
        ("original_gravity = 500", "it should be less than"),
        ("alcohol_limit_abv = 1050", "it should be less than"),
    ],
)
def test_a_gravity_in_another_unit_is_told_as_ours(line: str, hint: str) -> None:
    """Thousands and °Plato are named with the figure to write; what is plainly neither gets no such hint."""
    (problem,) = problems(f"{PITCHED}{line}\n")

    assert problem.line == 7
    assert problem.allowed.startswith(hint)


@pytest.mark.parametrize(
    ("table", "key", "meant"),
    [
        (PITCHED, "final_gravity", "did you mean expected_final? "),
        (PITCHED, "OG", "did you mean original_gravity? "),
        (PITCHED, "abv-limit", "did you mean alcohol_limit_abv? "),
        (VESSEL, "litres", "did you mean volume_l? "),
        (VESSEL, "final_gravity", "did you mean expected_final of [[batch]]? "),
        (VESSEL, "target_c", "did you mean target_c of [[fridge]]? "),
        (VESSEL, "quiet", "did you mean quiet of [alerts]? "),
        (VESSEL, "lees_share", "did you mean lees_share of [practice.racking]? "),
        (VESSEL, "url_file", "did you mean url_file of [[alerts.routes]]? "),
        (VESSEL, "gravity", "allowed here: "),
        (VESSEL, "x", "allowed here: "),
    ],
)
def test_a_key_by_another_name_or_in_another_table_is_recognised(table: str, key: str, meant: str) -> None:
    """What the trade calls it otherwise, and what another table has, is told with its name and its table."""
    (problem,) = problems(f"{table}{key} = 1\n")

    assert problem.found == "unknown key"
    assert problem.allowed.startswith(meant)


def test_every_other_name_leads_to_a_key_that_there_is() -> None:
    """No hint names a key that would be refused in its turn."""
    keys = dict(settings_words._keys_of(Settings, ""))

    for meant in settings_words._ALSO_CALLED.values():
        assert meant in keys or meant in Settings.model_fields


def test_everything_is_said_at_once() -> None:
    """Of all kinds of fault in one file none hides another: types, unknown keys, names, units, curves."""
    text = """\
[site]
nmae = "x"
timezone = "Mars/Olympus"
[mqtt]
port = 0
[[probe]]
name = "a"
source = "wifi"
topic = 7
[[probe]]
name = "b"
source = "mqtt"
topic = "cellar/b"
units = { temperature = "degX" }
[[probe]]
name = "b"
source = "mqtt"
[[vessel]]
name = "v"
volume_l = "big"
[[vessel]]
name = "Big One"
[[vessel]]
name = "v"
[[fridge]]
name = "f"
contents = ["v", "nowhere", "Big One"]
[[batch]]
name = "one"
vessel = "v"
pitched = 2026-03-02
[[batch]]
name = "two"
vessel = "w"
pitched = 2026-03-02T18:00:00Z
orginal_gravity = 1.05
[[alerts.routes]]
name = "r"
"""
    with pytest.raises(ConfigError) as refused:
        parse_settings(text, "cellar.toml")

    said = [(problem.line, problem.where) for problem in refused.value.problems]
    assert said == [
        (2, "site.nmae"), (3, "site.timezone"), (5, "mqtt.port"), (8, "probe[1].source"), (9, "probe[1].topic"),
        (14, "probe[2].units.temperature"), (15, "probe[3]"), (20, "vessel[1].volume_l"), (22, "vessel[2].name"),
        (24, "vessel[3].name"), (27, "fridge[1].contents"), (31, "batch[1].pitched"), (34, "batch[2].vessel"),
        (36, "batch[2].orginal_gravity"), (37, "alerts.routes[1]"),
    ]  # fmt: skip
    assert str(refused.value).splitlines()[0] == (
        "cellar.toml:2: site.nmae: unknown key; did you mean name? allowed here: name, timezone"
    )


def test_a_password_in_the_wrong_place_is_not_repeated() -> None:
    """An unknown key is named without its value: it may be what must not stand in a log."""
    (problem,) = problems('[mqtt]\npassword = "hunter2"')

    assert "hunter2" not in problem.sentence("x")
    assert "did you mean password_file?" in problem.allowed


def test_an_empty_file_is_a_configuration() -> None:
    """Every section that is left out takes a safe default: nothing beyond this machine, nobody told."""
    settings = parse_settings("")

    assert settings == Settings()
    assert settings.web.host == "127.0.0.1"
    assert settings.mqtt is None


def test_the_whole_of_an_ordinary_configuration_is_read() -> None:
    """A cellar with an MQTT float, a serial fridge probe, a room, a fridge and a batch comes out as it was meant."""
    text = r"""
[site]
name = "Cellar"
timezone = "Europe/Lisbon"
[store]
path = "/var/lib/leeswatch/store.db"
[mqtt]
host = "127.0.0.1"
port = 1883
[[probe]]
name = "float-a"
source = "mqtt"
topic = "cellar/float-a"
[probe.fields]
float_angle = "angle"
temperature = "temp"
[probe.calibration.float_angle]
gravity = [[25.1, 1.000], [40.3, 1.040], [55.9, 1.094]]
[[probe]]
name = "fridge-air"
source = "serial"
port = "/dev/serial/by-id/thermometer"
pattern = "T=(?P<temperature>-?[0-9.]+)"
[[probe]]
name = "cellar-air"
source = "hand"
[[vessel]]
name = "bucket-a"
volume_l = 19
material = "plastic"
probes = ["float-a"]
[[room]]
name = "cellar"
probes = ["cellar-air"]
[[fridge]]
name = "fridge"
target_c = 4.0
band_k = 2.0
probes = ["fridge-air"]
contents = ["bucket-a"]
[[batch]]
name = "amber-1"
vessel = "bucket-a"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.062
expected_final = 1.008
yeast_range_c = [18, 26]
alcohol_limit_abv = 14
"""
    settings = parse_settings(text)

    assert settings.probe[0].calibration["float_angle"].points[1] == (40.3, 1.04)
    assert settings.batch[0].pitched == parse_time("2026-03-02T18:00:00Z")
    assert settings.batch[0].yeast_range_c == (18.0, 26.0)
    assert settings.vessel[0].volume_l == 19.0
    assert settings.fridge[0].contents == ["bucket-a"]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("2026-03-02T18:00:00+01:00", "2026-03-02T17:00:00Z"),
        ("2026-03-02 18:00:00.250Z", "2026-03-02T18:00:00.250Z"),
        ('"2026-03-02T18:00:00-00:30"', "2026-03-02T18:30:00Z"),
    ],
)
def test_a_time_keeps_its_offset(written: str, meant: str) -> None:
    """Any offset is taken, as TOML's own time or as text."""
    assert parse_settings(BATCH + f"pitched = {written}").batch[0].pitched == parse_time(meant)


@pytest.mark.parametrize(
    ("written", "seconds"), [("90s", 90.0), ("1.5 min", 90.0), ("12h", 43_200.0), ("3d", 259_200.0)]
)
def test_a_span_has_a_unit(written: str, seconds: float) -> None:
    """Seconds, minutes, hours and days, whole or not."""
    assert parse_settings(f'[store]\nkeep_raw = "{written}"').store.keep_raw == seconds


def test_what_the_rules_see_survives_the_journal() -> None:
    """The rules' part goes to the journal as JSON and comes back as it was, spans and moments as numbers."""
    told = parse_settings(PITCHED + 'start_within = "24h"\nyeast_range_c = [18, 26]\n' + CURVE
                          + "gravity = [[1, 1.0], [2, 1.1]]").for_rules()  # fmt: skip

    assert RuleSettings.model_validate(told.as_json()) == told


# --- files -------------------------------------------------------------------------------------------------------


def test_relative_paths_count_from_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Wherever the program is started, a path in the file means the same; `~` is the home of who runs it."""
    file = tmp_path / "etc/cellar.toml"
    file.parent.mkdir()
    file.write_text(
        '[store]\npath = "data/store.db"\n[mqtt]\npassword_file = "secret"\n[mqtt.tls]\nca = "/abs/ca.crt"\n'
        '[jobs]\nbackup_dir = "~/copies"\n[[alerts.routes]]\nname = "r"\nurl_file = "../phone"\n',
        encoding="utf-8",
    )
    monkeypatch.setenv("HOME", "/home/keeper")
    monkeypatch.chdir("/")

    read = load_settings(file)

    assert read.store.path == tmp_path / "etc/data/store.db"
    assert read.mqtt is not None
    assert read.mqtt.password_file == tmp_path / "etc/secret"
    assert read.mqtt.tls is not None
    assert read.mqtt.tls.ca == Path("/abs/ca.crt")
    assert read.jobs.backup_dir == Path("/home/keeper/copies")
    assert read.alerts.routes[0].url_file == tmp_path / "etc/../phone"


@pytest.mark.parametrize(
    ("content", "words"), [(None, "No such file"), ("folder", "Is a directory"), (b'[site]\nname = "\xff"', "UTF-8")]
)
def test_a_file_that_cannot_be_read_is_said(tmp_path: Path, content: bytes | str | None, words: str) -> None:
    """A missing file, a folder, and bytes that are no UTF-8 are problems like any other."""
    file = tmp_path / "cellar.toml"
    if isinstance(content, bytes):
        file.write_bytes(content)
    elif content:
        file.mkdir()

    with pytest.raises(ConfigError, match=words):
        load_settings(file)


def test_a_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    """Some editors put one in front; it is no syntax error."""
    file = tmp_path / "cellar.toml"
    file.write_bytes(b'\xef\xbb\xbf[site]\r\nname = "Cellar"\r\n')

    assert load_settings(file).site.name == "Cellar"


def test_the_file_is_found_or_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The one named, else the one in this folder; with none the error says where was looked and what to do."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ConfigError, match=r"no leeswatch\.toml or /etc/leeswatch.*name one with --config"):
        find_config(None)
    (tmp_path / "leeswatch.toml").write_text("")

    assert find_config(None) == Path("leeswatch.toml")
    assert find_config(Path("other.toml")) == Path("other.toml")


def test_the_store_lies_where_the_service_or_the_user_keeps_state(monkeypatch: pytest.MonkeyPatch) -> None:
    """As configured, else in systemd's folder, else in the user's own."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", "/home/keeper/.local/state")
    assert store_path(parse_settings("")) == Path("/home/keeper/.local/state/leeswatch/store.db")

    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/leeswatch")
    assert store_path(parse_settings("")) == Path("/var/lib/leeswatch/store.db")
    assert store_path(parse_settings('[store]\npath = "/x/y.db"')) == Path("/x/y.db")


# --- lines -------------------------------------------------------------------------------------------------------


def test_lines_are_found_in_every_way_to_write_a_key() -> None:
    """Tables, tables in tables, dotted keys, quoted keys, comments and blanks."""
    text = (
        '# top\n[ mqtt . tls ]  # broker\nca="x"\n\n[[probe]]\nname = "a"\n[probe.fields]\n"temperature"="t"\n'
        "[[probe]]\nfields . battery = 'b'\n[[ alerts.routes ]]\nname='r'\n[[alerts.routes]]\nname='s'\n"
    )
    lines = line_index(text)

    assert {where: lines[where] for where in lines if isinstance(where[-1], str)} == {
        ("mqtt",): 2, ("mqtt", "tls"): 2, ("mqtt", "tls", "ca"): 3, ("probe",): 5, ("probe", 0, "name"): 6,
        ("probe", 0, "fields"): 7, ("probe", 0, "fields", "temperature"): 8, ("probe", 1, "fields"): 10,
        ("probe", 1, "fields", "battery"): 10, ("alerts",): 11, ("alerts", "routes"): 11,
        ("alerts", "routes", 0, "name"): 12, ("alerts", "routes", 1, "name"): 14,
    }  # fmt: skip


# --- whatever is written -----------------------------------------------------------------------------------------

_VALUES = st.recursive(
    st.one_of(
        st.booleans(), st.integers(), st.floats(allow_nan=True), st.text(max_size=12), st.datetimes().map(lambda t: t),
        st.sampled_from(["hand", "mqtt", "serial", "v", "p", "12h", "2026-03-02T18:00:00Z", "degF", "temperature"]),
    ),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["gravity", "temperature", "name", "url", "x"]), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip
_KEYS = st.sampled_from(
    ["name", "source", "topic", "port", "pattern", "fields", "units", "calibration", "vessel", "probes", "contents",
     "pitched", "original_gravity", "expected_final", "yeast_range_c", "quiet", "routes", "timezone", "path", "x"]
)  # fmt: skip
_HEADS = st.sampled_from(
    ["[site]", "[store]", "[mqtt]", "[mqtt.tls]", "[[probe]]", "[probe.fields]", "[probe.calibration.float_angle]",
     "[[vessel]]", "[[room]]", "[[fridge]]", "[[batch]]", "[alerts]", "[[alerts.routes]]", "[jobs]", "[web]", "[x]"]
)  # fmt: skip


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return (
            '"'
            + "".join(c if c in string.ascii_letters + string.digits + " -:./+[" else f"\\U{ord(c):08x}" for c in value)
            + '"'
        )
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + "}"
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


_TABLES = st.lists(st.tuples(_HEADS, st.dictionaries(_KEYS, _VALUES, max_size=5)), max_size=8).map(
    lambda tables: "\n".join(
        line for head, body in tables for line in (head, *(f"{key} = {_toml(value)}" for key, value in body.items()))
    )
)


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(_TABLES)
def test_any_tables_are_taken_or_refused_in_words(text: str) -> None:
    """Whatever keys hold whatever values, the answer is settings or problems, each problem with words in it."""
    for problem in problems(text):
        assert problem.where
        assert problem.found
        assert problem.allowed
        assert problem.line is None or 1 <= problem.line <= len(text.splitlines())


@settings(max_examples=250, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_taken_or_refused_in_words(text: str) -> None:
    """Text that is no TOML at all never raises anything but what says so."""
    for problem in problems(text):
        assert problem.allowed


@settings(max_examples=120, deadline=None)
@given(st.data())
def test_a_line_dropped_or_doubled_is_taken_or_refused_in_words(data: st.DataObject) -> None:
    """The shipped example with one of its lines missing, doubled or cut short is settings or problems."""
    example = Path(__file__).parents[2] / "config/leeswatch.example.toml"
    lines = example.read_text(encoding="utf-8").splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    how = data.draw(st.sampled_from(["drop", "double", "cut"]))
    middle = {"drop": [], "double": [lines[at]] * 2, "cut": [lines[at][: len(lines[at]) // 2]]}[how]

    for problem in problems("\n".join([*lines[:at], *middle, *lines[at + 1 :]])):
        assert problem.allowed
