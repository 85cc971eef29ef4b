"""All that the engine remembers, and how it goes to the store: in pieces, so that a commit writes what changed.

A piece is JSON under a key: `clock`, `settings`, `places`, `book`, `probe:NAME`, `batch:NAME`, `fridge:NAME`,
`ratios:BATCH` (what a batch taught its witnesses), `finals` (how past batches ended), `record:KIND:NAME` (the journal
entries about a batch, a wash or a jar), `hold:KIND:NAME` (how long it has been cold), `track:PLACE|PROBE|QUANTITY` and
one `hour:…|NUMBER` for each hour of a track. `order` says in which order the named ones came: the rules go through
them in that order, and events that fall in one tick follow from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, NamedTuple

from pydantic import Field, TypeAdapter

from monitor.alerts.book import Book
from monitor.batches.hold import HoldState
from monitor.batches.record import Record
from monitor.model.config import RuleProbe, RuleSettings, Vessel
from monitor.model.errors import StoreError
from monitor.model.inputs import JournalEntry
from monitor.rules.activity import Ratios
from monitor.rules.batch import BatchState
from monitor.rules.finals import Past
from monitor.rules.fridge import FridgeState
from monitor.rules.health import ProbeHealth
from monitor.rules.track import Hour, Steps, Track
from monitor.science.calibration import Curve, fit

# Raise it when a piece changes its form or a rule remembers something new: the state is then rebuilt from the inputs.
STATE_VERSION = 7


@dataclass(slots=True)
class ClockState:
    """Event time as far as it has come."""

    last_ms: int = 0
    tick_ms: int | None = None  # the latest tick; none before the first input
    watched_from_ms: int = 0  # nobody watched before this
    away_since_ms: int | None = None  # since when no daemon has run, while a command writes in its place


@dataclass(slots=True)
class TrackMeta:
    """The part of a track beside its hours."""

    bad: list[tuple[int, int]] = field(default_factory=list)
    steps: Steps = field(default_factory=Steps)


Places = dict[str, list[tuple[int, str | None]]]

_CLOCK = TypeAdapter(ClockState)
_SETTINGS = TypeAdapter(RuleSettings)
_PLACES: TypeAdapter[Places] = TypeAdapter(Places)
_BOOK = TypeAdapter(Book)
_HOUR = TypeAdapter(Hour)
_META = TypeAdapter(TrackMeta)
_FINALS = TypeAdapter(list[Past])
_ORDER: TypeAdapter[dict[str, list[str]]] = TypeAdapter(dict[str, list[str]])
_NAMED: dict[str, TypeAdapter[Any]] = {
    "probe": TypeAdapter(ProbeHealth),
    "batch": TypeAdapter(BatchState),
    "fridge": TypeAdapter(FridgeState),
    "ratios": TypeAdapter(dict[str, Ratios]),
    "record": TypeAdapter(list[Annotated[JournalEntry, Field(discriminator="kind")]]),
    "hold": TypeAdapter(HoldState),
}


class Told(NamedTuple):
    """The track of one quantity that one probe told at one place."""

    key: str
    probe: str
    quantity: str
    track: Track


class State:
    """The engine's memory. Whoever changes a part says so with `touch`."""

    def __init__(self) -> None:
        self.clock = ClockState()
        self.settings = RuleSettings()
        self.places: Places = {}
        self.book = Book()
        self.probes: dict[str, ProbeHealth] = {}
        self.batches: dict[str, BatchState] = {}
        self.fridges: dict[str, FridgeState] = {}
        self.tracks: dict[str, Track] = {}
        self.steps: dict[str, Steps] = {}
        self.ratios: dict[str, dict[str, Ratios]] = {}
        self.finals: list[Past] = []
        self.records: dict[str, Record] = {}
        self.holds: dict[str, HoldState] = {}
        self.entries = 0  # taken since it was loaded: what follows from entries alone is worked out once for each
        self._touched: set[str] = set()
        self._gone: set[str] = set()
        self._order: dict[str, list[str]] = {}
        self._curves: dict[tuple[str, str], Curve] = {}
        self._vessels: dict[str, Vessel] = {}
        self._probe_settings: dict[str, RuleProbe] = {}
        self._placed: dict[str | None, list[str]] | None = None
        self._at: dict[str, list[Told]] = {}
        self._of: dict[str, list[Told]] = {}
        self._indexed = 0  # tracks that are in the two above
        self._ordered: tuple[int, ...] = ()  # what `_order` was made of

    # --- looking up --------------------------------------------------------------------------------------------

    def use(self, settings: RuleSettings) -> None:
        """Take a configuration."""
        self.settings = settings
        self._curves.clear()
        self._vessels = {vessel.name: vessel for vessel in settings.vessel}
        self._probe_settings = {probe.name: probe for probe in settings.probe}
        self.book.remind_every_ms = round(settings.remind_every * 1000)

    def vessel(self, name: str) -> Vessel | None:
        """A vessel's settings."""
        return self._vessels.get(name)

    def probe_settings(self, name: str) -> RuleProbe | None:
        """A probe's settings."""
        return self._probe_settings.get(name)

    def curve(self, probe: str, quantity: str) -> Curve | None:
        """The calibration of one quantity of a probe, fitted once."""
        key = (probe, quantity)
        if key not in self._curves:
            settings = self._probe_settings.get(probe)
            calibration = settings.calibration.get(quantity) if settings else None  # type: ignore[call-overload]
            if calibration is None:
                return None
            self._curves[key] = fit(calibration.points)
        return self._curves[key]

    def place_at(self, probe: str, measured_ms: int) -> str | None:
        """Where a probe sat at a time, such as `vessel:bucket-a`; None when nowhere."""
        if probe.startswith("hand:"):
            return f"vessel:{probe[5:]}"
        place = None
        for start, where in self.places.get(probe, ()):
            if start <= measured_ms:
                place = where
        return place

    def place_now(self, probe: str) -> str | None:
        """Where a probe sits since its last move."""
        spans = self.places.get(probe)
        return spans[-1][1] if spans else None

    def sit(self, probe: str, spans: list[tuple[int, str | None]]) -> None:
        """A probe sits elsewhere: since when, and where, oldest first."""
        self.places[probe] = spans
        self._placed = None
        self.touch("places")

    def probes_at(self, place: str) -> Sequence[str]:
        """Probes that sit at a place now, in the order in which they were first placed."""
        if self._placed is None:
            self._placed = {}
            for probe in self.places:
                self._placed.setdefault(self.place_now(probe), []).append(probe)
        return self._placed.get(place, ())

    def track(self, key: str) -> Track:
        """The track of `place|probe|quantity`, made when needed."""
        track = self.tracks.get(key)
        if track is None:
            track = self.tracks[key] = Track()
            self.steps[key] = Steps()
            self.touch(f"track:{key}")
            if self._indexed == len(self.tracks) - 1:
                self._index(key, track)
        return track

    def tracks_at(self, place: str) -> Sequence[Told]:
        """All tracks of a place, in the order in which they came: a look at one vessel costs nothing of the others."""
        self._index_all()
        return self._at.get(place, ())

    def tracks_of(self, probe: str) -> Sequence[Told]:
        """All tracks of a probe, wherever it sat."""
        self._index_all()
        return self._of.get(probe, ())

    def _index_all(self) -> None:
        if self._indexed != len(self.tracks):
            self._indexed = 0
            self._at.clear()
            self._of.clear()
            for key, track in self.tracks.items():
                self._index(key, track)

    def _index(self, key: str, track: Track) -> None:
        place, probe, quantity = key.split("|")
        told = Told(key, probe, quantity, track)
        self._at.setdefault(place, []).append(told)
        self._of.setdefault(probe, []).append(told)
        self._indexed += 1

    # --- going to the store ------------------------------------------------------------------------------------

    def touch(self, *keys: str) -> None:
        """These pieces changed."""
        self._touched.update(keys)
        self._gone.difference_update(keys)

    def drop(self, key: str) -> None:
        """This piece is gone."""
        self._gone.add(key)
        self._touched.discard(key)

    def drain(self) -> dict[str, bytes | None]:
        """The pieces that changed since the last call; None for one that is gone."""
        if self.book.changed:
            self.book.changed = False
            self._touched.add("book")
        self._touched.add("clock")
        # Between two entries things only come: where there are as many as before, their order is what it was.
        ordered = (self.entries, *(len(getattr(self, attribute)) for attribute in _ORDERED))
        if ordered != self._ordered:
            self._ordered = ordered
            order = {attribute: list(getattr(self, attribute)) for attribute in _ORDERED}
            if order != self._order:
                self._order = order
                self._touched.add("order")
        pieces: dict[str, bytes | None] = dict.fromkeys(self._gone)
        pieces.update((key, self._encode(key)) for key in sorted(self._touched))
        self._touched.clear()
        self._gone.clear()
        return pieces

    def _encode(self, key: str) -> bytes:
        kind, _, name = key.partition(":")
        if kind == "hour":
            track, _, number = name.rpartition("|")
            return _HOUR.dump_json(self.tracks[track].hours[int(number)])
        if kind == "track":
            return _META.dump_json(TrackMeta(self.tracks[name].bad, self.steps[name]))
        if kind in _NAMED:
            return _NAMED[kind].dump_json(getattr(self, _ATTRIBUTE[kind])[name])
        whole: dict[str, tuple[TypeAdapter[Any], Any]] = {
            "clock": (_CLOCK, self.clock),
            "settings": (_SETTINGS, self.settings),
            "places": (_PLACES, self.places),
            "book": (_BOOK, self.book),
            "finals": (_FINALS, self.finals),
            "order": (_ORDER, self._order),
        }
        adapter, value = whole[kind]
        return adapter.dump_json(value)

    @classmethod
    def restore(cls, pieces: dict[str, bytes]) -> State:
        """The state of these pieces; StoreError when they do not fit together."""
        state = cls()
        try:
            for key in sorted(pieces):
                state._decode(key, pieces[key])
            state._put_in_order()
        except (ValueError, KeyError) as error:
            raise StoreError(f"the engine's state cannot be read: {error}", "it is rebuilt from the inputs") from error
        return state

    def _decode(self, key: str, value: bytes) -> None:
        kind, _, name = key.partition(":")
        if kind == "hour":
            track, _, number = name.rpartition("|")
            self.tracks.setdefault(track, Track()).hours[int(number)] = _HOUR.validate_json(value)
            self.steps.setdefault(track, Steps())
        elif kind == "track":
            meta = _META.validate_json(value)
            self.tracks.setdefault(name, Track()).bad = meta.bad
            self.steps[name] = meta.steps
        elif kind in _NAMED:
            getattr(self, _ATTRIBUTE[kind])[name] = _NAMED[kind].validate_json(value)
        elif kind == "clock":
            self.clock = _CLOCK.validate_json(value)
        elif kind == "settings":
            self.use(_SETTINGS.validate_json(value))
        elif kind == "places":
            self.places, self._placed = _PLACES.validate_json(value), None
        elif kind == "book":
            self.book = _BOOK.validate_json(value)
        elif kind == "finals":
            self.finals = _FINALS.validate_json(value)
        elif kind == "order":
            self._order = _ORDER.validate_json(value)

    def _put_in_order(self) -> None:
        for attribute in _ORDERED:
            found = getattr(self, attribute)
            order = dict.fromkeys([*self._order.get(attribute, ()), *found])
            setattr(self, attribute, {name: found[name] for name in order})


_ATTRIBUTE = {
    "probe": "probes", "batch": "batches", "fridge": "fridges",
    "ratios": "ratios", "record": "records", "hold": "holds",
}  # fmt: skip
_ORDERED = ("probes", "batches", "fridges", "tracks", "records", "holds")
