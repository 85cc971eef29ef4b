"""The configuration as types. Unknown keys are refused; what is left out takes a safe default.

Reading the file, with the line of each error, is the work of `monitor/settings.py`.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    Strict,
    ValidationInfo,
    field_validator,
    model_validator,
)

from monitor.model.clock import ms_of, parse_time
from monitor.model.quantities import QUANTITIES, QuantityName

_UNSPEAKABLE = re.compile(r"[\\\x00-\x1f\x7f]")  # what a broker's topic or a server's tag cannot carry
_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,62}")
_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)")
_SPAN_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_OLDEST_MS, _NEWEST_MS = 946_684_800_000, 4_102_444_800_000  # 2000 to 2100
_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


def _name(value: str) -> str:
    if not _NAME.fullmatch(value):
        raise ValueError("a name is 1 to 63 of a-z, 0-9, dot, dash and underscore, and starts with a letter or digit")
    return value


def _title(value: str) -> str:
    if not value.strip() or _UNSPEAKABLE.search(value):
        raise ValueError("a name for people: some letters, no backslash, no line break or other control character")
    return value


# Validation context of what a person wrote in a file: there a bare number is no span and no moment (12 of what?).
# The journal keeps both as numbers, seconds and milliseconds.
WRITTEN = {"written": True}


def _bare(value: object, info: ValidationInfo) -> bool:
    return bool(info.context and info.context.get("written")) and isinstance(value, int | float)


def _span(value: object, info: ValidationInfo) -> object:
    if _bare(value, info):
        raise ValueError('a span of time is a number with s, min, h or d in quotation marks, such as "12h"')
    if isinstance(value, str):
        match = _SPAN.fullmatch(value.strip())
        if not match:
            raise ValueError('a span of time is a number with s, min, h or d, such as "12h"')
        return float(match[1]) * _SPAN_SECONDS[match[2]]
    return value


def _moment(value: object, info: ValidationInfo) -> object:
    if _bare(value, info) or (isinstance(value, date | time) and not isinstance(value, datetime)):
        raise ValueError("it should be a date, a time of day and an offset, such as 2026-03-02T18:00:00Z")
    ms = ms_of(value) if isinstance(value, datetime) else parse_time(value) if isinstance(value, str) else value
    if isinstance(ms, int) and not _OLDEST_MS <= ms < _NEWEST_MS:
        raise ValueError("it should lie between the years 2000 and 2100")
    return ms


def _clock_time(value: str) -> str:
    if not _CLOCK.fullmatch(value):
        raise ValueError('a time of day is written "07:30"')
    return value


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError('a time zone is a name of the IANA list, such as "Europe/Lisbon"') from error
    return value


Name = Annotated[str, AfterValidator(_name)]
Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
Flag = Annotated[bool, Strict()]
Seconds = Annotated[float, BeforeValidator(_span), Field(gt=0)]
Moment = Annotated[int, BeforeValidator(_moment)]
TimeOfDay = Annotated[str, AfterValidator(_clock_time)]


class Section(BaseModel):
    """Base of all sections."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Site(Section):
    """Where this is."""

    name: Annotated[str, AfterValidator(_title)] = "Cellar"
    timezone: Annotated[str, AfterValidator(_zone)] = "UTC"


class StoreSettings(Section):
    """Where readings are kept, and for how long in full."""

    path: Path | None = None
    keep_raw: Seconds = 90 * 86400.0


class Tls(Section):
    """Encryption towards the broker."""

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


class Mqtt(Section):
    """The broker."""

    host: str = "127.0.0.1"
    port: Whole = Field(default=1883, ge=1, le=65535)
    client_id: str = "leeswatch"
    username: str | None = None
    password_file: Path | None = None
    tls: Tls | None = None
    keepalive: Seconds = 30.0


class Calibration(Section):
    """Points from a raw reading to one target quantity."""

    gravity: list[tuple[Number, Number]] | None = None
    temperature: list[tuple[Number, Number]] | None = None

    @model_validator(mode="after")
    def _one_target(self) -> Calibration:
        given = [points for points in (self.gravity, self.temperature) if points is not None]
        if len(given) != 1 or len(given[0]) < 2:
            raise ValueError("a calibration has one target (gravity or temperature) with at least two points")
        return self

    @property
    def target(self) -> Literal["gravity", "temperature"]:
        """Which quantity the points lead to."""
        return "gravity" if self.gravity is not None else "temperature"

    @property
    def points(self) -> list[tuple[float, float]]:
        """The points, reading first."""
        return self.gravity if self.gravity is not None else self.temperature or []


Measures = Literal["liquid", "wall", "air"]
FieldName = Literal["time", QuantityName]


class Probe(Section):
    """One probe: how its words reach us and how to read them."""

    name: Name
    source: Literal["mqtt", "serial", "onewire", "hand"]
    topic: str | None = None
    port: str | None = None
    baud: Whole = Field(default=9600, ge=50)
    pattern: str | None = None
    device: str | None = None  # one-wire id, such as 28-0316a2795b1c
    every: Seconds = 60.0  # how often a one-wire thermometer is read
    fields: dict[FieldName, str] = Field(default_factory=dict)
    units: dict[QuantityName, str] = Field(default_factory=dict)
    calibration: dict[QuantityName, Calibration] = Field(default_factory=dict)
    measures: Measures | None = None

    @model_validator(mode="after")
    def _whole(self) -> Probe:
        needed = {"mqtt": ("topic",), "serial": ("port",), "onewire": ("device",), "hand": ()}[self.source]
        for key in needed:
            if not getattr(self, key):
                raise ValueError(f'a probe with source = "{self.source}" needs {key}')
        return self

    @field_validator("pattern")
    @classmethod
    def _names_what_it_finds(cls, pattern: str | None) -> str | None:
        if pattern is None:
            return None
        try:
            groups = set(re.compile(pattern).groupindex)
        except re.error as error:
            raise ValueError(f"it is no regular expression: {error}") from error
        known = groups & set(QUANTITIES)
        if not known or groups - set(QUANTITIES) - {"time"}:
            raise ValueError(
                "a pattern names each value by its quantity, such as T=(?P<temperature>-?[0-9.]+); "
                f"allowed names: time, {', '.join(QUANTITIES)}"
            )
        return pattern


class Vessel(Section):
    """A bucket, jug or jar."""

    name: Name
    volume_l: Number = Field(default=19.0, gt=0, le=10_000)
    material: Literal["plastic", "glass", "steel"] = "plastic"
    probes: list[str] = Field(default_factory=list)
    room: str | None = None  # whose air is round it; may be left out where there is one room
    abv: Number | None = Field(default=None, ge=0, le=80)  # of what stands in it, where no batch says so


class Room(Section):
    """The air around the vessels."""

    name: Name
    probes: list[str] = Field(default_factory=list)


class Fridge(Section):
    """A fridge: its band is judged on the mean over cycles and on the estimated contents, never on raw air."""

    name: Name
    target_c: Number = Field(default=4.0, ge=-30, le=30)
    band_k: Number = Field(default=2.0, gt=0, le=20)
    probes: list[str] = Field(default_factory=list)
    contents: list[str] = Field(default_factory=list)


class Ingredients(Section):
    """What a batch was mixed from: kilograms by name, as `leeswatch calc original` knows them."""

    sugar_kg: dict[str, Annotated[Number, Field(gt=0, le=10_000)]] = Field(default_factory=dict)
    grain_kg: dict[str, Annotated[Number, Field(gt=0, le=10_000)]] = Field(default_factory=dict)
    enzymes: Literal["none", "malt", "added"] = "malt"


class Batch(Section):
    """A batch as pitched."""

    name: Name
    vessel: str
    pitched: Moment
    original_gravity: Number | None = Field(default=None, ge=0.98, le=1.2)
    expected_final: Number | None = Field(default=None, ge=0.96, le=1.2)
    expected_final_sd: Number | None = Field(default=None, gt=0, le=0.05)
    fermentables: Literal["sugar", "grain", "mixed"] | None = None
    recipe: Name | None = None  # batches of the same recipe and yeast tell each other where they end
    yeast: Name | None = None
    yeast_range_c: tuple[Number, Number] | None = None
    alcohol_limit_abv: Number | None = Field(default=None, gt=0, le=25)
    start_within: Seconds = 36 * 3600.0
    volume_l: Number | None = Field(default=None, gt=0, le=10_000)
    ingredients: Ingredients | None = None
    jars: list[Name] = Field(default_factory=list)  # of the shelf, that it was pitched from

    @field_validator("yeast_range_c")
    @classmethod
    def _lowest_first(cls, given: tuple[float, float] | None) -> tuple[float, float] | None:
        if given and not given[0] < given[1]:
            raise ValueError("it should be [lowest, highest] in degrees Celsius")
        return given

    @field_validator("expected_final")
    @classmethod
    def _below_the_original(cls, final: float | None, info: ValidationInfo) -> float | None:
        original = info.data.get("original_gravity")
        if final and original and final >= original:
            raise ValueError(f"it should lie below original_gravity, {original:.3f}")
        return final


# --- what practice does: every figure "common practice, no source", and every one yours to set ------------------------


class RackingPractice(Section):
    """Racking off the lees."""

    lees_share: Number = Field(default=0.05, ge=0, le=0.5)  # of the volume, where nobody measured
    siphon_above_mm: Number = Field(default=15.0, ge=0, le=500)  # how far the tip stays above the lees
    headspace_share: Number = Field(default=0.05, ge=0, le=0.9)  # of the vessel it goes into
    checklist: list[str] = Field(
        default_factory=lambda: [
            "clean the vessel, the siphon and its hose, then sanitise them",
            "leave the batch still for an hour after it was moved",
            "keep the tip above the lees, and the hose's end below the surface",
            "air the room: carbon dioxide gathers low",
        ]
    )


class ClearingPractice(Section):
    """Clearing with finings in two parts."""

    second_after: Seconds = 3600.0
    clear_after: tuple[Seconds, Seconds] = (12 * 3600.0, 48 * 3600.0)
    range_c: tuple[Number, Number] = (15.0, 25.0)
    slow_factor: Number = Field(default=2.0, gt=1, le=20)  # of its sibling's time
    first_ml_per_l: Number | None = Field(default=None, gt=0, le=100)  # as the packet says
    second_ml_per_l: Number | None = Field(default=None, gt=0, le=100)
    clear_ntu: Number = Field(default=8.0, gt=0, le=1_000)  # a turbidity at or below it is clear
    sibling_within: Seconds = 48 * 3600.0  # fined no further apart than this, batches are held against each other


class ColdPractice(Section):
    """Settling and holding cold."""

    settle_hours: Number = Field(default=48.0, gt=0, le=2_000)
    within_k: Number = Field(default=0.5, gt=0, le=5)  # above the target that still counts as at it
    checklist: list[str] = Field(
        default_factory=lambda: [
            "take the airlock off or bung it loosely: what cools draws in the airlock's liquid, and air",
            "move it gently: moving stirs the lees up",
            "keep jars clear of the cold plate at the back",
        ]
    )


class YeastPractice(Section):
    """Washing, keeping and pitching yeast."""

    short_stand: Seconds = 20 * 60.0
    long_stand: Seconds = 4 * 3600.0
    powdery_stand: Seconds = 12 * 3600.0
    rounds: Whole = Field(default=3, ge=1, le=10)
    most_abv: Number = Field(default=9.0, gt=0, le=25)  # of the batch it comes from
    most_generations: Whole = Field(default=8, ge=1, le=100)
    doubtful_generations: Whole = Field(default=5, ge=1, le=100)
    best_within: Seconds = 21 * 86400.0
    discard_after: Seconds = 120 * 86400.0
    store_c: tuple[Number, Number] = (1.0, 4.0)
    jar_sizes_ml: list[Number] = Field(default_factory=lambda: [250.0, 500.0])  # the jars you have
    jar_fill_share: Number = Field(default=0.8, gt=0, le=0.95)  # how full: gas and foam want room


class Practice(Section):
    """The figures of the trade that the clocks and advice go by."""

    racking: RackingPractice = RackingPractice()
    clearing: ClearingPractice = ClearingPractice()
    cold: ColdPractice = ColdPractice()
    yeast: YeastPractice = YeastPractice()


class Route(Section):
    """A way to a person: an address in the form of the notification library, or a file that holds it."""

    name: Name
    url: str | None = None
    url_file: Path | None = None
    lowest: Literal["low", "medium", "high"] = "low"

    @model_validator(mode="after")
    def _one(self) -> Route:
        if (self.url is None) == (self.url_file is None):
            raise ValueError("a route has either url or url_file")
        return self


class Alerts(Section):
    """When people are told again, and when they sleep."""

    remind_every: Seconds = 12 * 3600.0
    quiet: tuple[TimeOfDay, TimeOfDay] | None = None
    routes: list[Route] = Field(default_factory=list)


class Jobs(Section):
    """What runs by the calendar, in the site's time zone."""

    digest: TimeOfDay | None = "08:00"
    retention: TimeOfDay = "03:10"
    backup: TimeOfDay | None = "03:40"
    backup_dir: Path | None = None
    backups_kept: Whole = Field(default=7, ge=1, le=1000)
    heartbeat_url: str | None = None
    heartbeat_every: Seconds = 300.0


class Web(Section):
    """The page."""

    enabled: Flag = True
    host: str = "127.0.0.1"
    port: Whole = Field(default=8650, ge=0, le=65535)
    password_file: Path | None = None
    public_url: str | None = None  # as your phone reaches the page: messages then link to it

    @model_validator(mode="after")
    def _guarded(self) -> Web:
        loopback = self.host in ("localhost", "::1") or self.host.startswith("127.")
        if not loopback and self.password_file is None:
            raise ValueError("beyond loopback the page needs password_file")
        return self


def _port(url: str) -> bool:
    """Whether the port of an address, where it has one, can be one."""
    found = re.match(r"https?://[^/]*?:(\d+)(?:/|$)", url)
    return found is None or 0 < int(found[1]) < 65_536


class Relay(Section):
    """Forwarding to a time-series server that takes the InfluxDB v2 write API."""

    url: str
    token_file: Path | None = None
    org: str = ""
    bucket: str = Field(default="leeswatch", min_length=1)
    ca_file: Path | None = None
    every: Seconds = 5.0  # what comes in meanwhile goes out in one request
    rows: Whole = Field(default=5_000, ge=10, le=20_000)  # in one request at most
    timeout: Seconds = 10.0
    hold: Seconds = 60.0  # kept so long after the server said yes, and sent again if it has restarted meanwhile
    behind_after: Seconds = 900.0
    kib_per_second: Number | None = Field(default=None, gt=0)
    requests_per_minute: Number | None = Field(default=None, gt=0)
    reads: Literal["auto", "export", "influxql"] = "auto"

    @field_validator("url")
    @classmethod
    def _of_the_web(cls, url: str) -> str:
        if not re.fullmatch(r"https?://([^\s/?#@:\[\]]+|\[[0-9a-fA-F:.]+\])(:\d{1,5})?(/[^\s?#]*)?", url) or not _port(
            url
        ):
            raise ValueError('it should be like "http://tower.local:8428", without user, password or question mark')
        return url.rstrip("/")


class Settings(Section):
    """The whole configuration."""

    site: Site = Site()
    store: StoreSettings = StoreSettings()
    mqtt: Mqtt | None = None
    probe: list[Probe] = Field(default_factory=list)
    vessel: list[Vessel] = Field(default_factory=list)
    room: list[Room] = Field(default_factory=list)
    fridge: list[Fridge] = Field(default_factory=list)
    batch: list[Batch] = Field(default_factory=list)
    alerts: Alerts = Alerts()
    jobs: Jobs = Jobs()
    web: Web = Web()
    relay: Relay | None = None
    practice: Practice = Practice()

    @model_validator(mode="before")
    @classmethod
    def _usual_broker(cls, data: Any) -> Any:
        """A probe on MQTT without [mqtt] means the broker on this machine."""
        probes = data.get("probe") if isinstance(data, dict) and "mqtt" not in data else None
        if isinstance(probes, list) and any(isinstance(each, dict) and each.get("source") == "mqtt" for each in probes):
            return {**data, "mqtt": {}}
        return data

    def for_rules(self) -> RuleSettings:
        """The part that the rules see: what the journal keeps and replay needs."""
        probes = [
            RuleProbe(name=probe.name, calibration=probe.calibration, measures=probe.measures) for probe in self.probe
        ]
        return RuleSettings(
            site=self.site.name,
            probe=probes,
            vessel=self.vessel,
            room=self.room,
            fridge=self.fridge,
            batch=self.batch,
            practice=self.practice,
            remind_every=self.alerts.remind_every,
        )


class RuleProbe(Section):
    """What the rules need to know of a probe."""

    name: str
    calibration: dict[QuantityName, Calibration] = Field(default_factory=dict)
    measures: Measures | None = None


class RuleSettings(Section):
    """The configuration as the engine sees it; order of lists is order of trust."""

    site: str = "Cellar"
    probe: list[RuleProbe] = Field(default_factory=list)
    vessel: list[Vessel] = Field(default_factory=list)
    room: list[Room] = Field(default_factory=list)
    fridge: list[Fridge] = Field(default_factory=list)
    batch: list[Batch] = Field(default_factory=list)
    practice: Practice = Practice()
    remind_every: Number = 12 * 3600.0

    def as_json(self) -> dict[str, Any]:
        """For the journal."""
        return self.model_dump(mode="json", exclude_defaults=True)
