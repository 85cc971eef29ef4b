"""What must hold of the decoder for every payload."""

import json
import math
import time

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.intake import decode, senml
from monitor.intake.decode import Decoder, check_fields, refuse_future
from monitor.intake.values import own_time
from monitor.model.config import Probe
from monitor.model.errors import PayloadError
from monitor.model.quantities import QUANTITIES

PLAIN = Probe(name="a", source="mqtt", topic="x/a")
FIELDS = Probe(
    name="a", source="mqtt", topic="x/a", fields={"temperature": "t[0].a", "gravity": "sum(g)", "time": "at"}
)
PATTERN = Probe(name="a", source="serial", port="p", pattern=r"(?P<time>\S+)? *T=(?P<temperature>.*)")

json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=12,
)
records = st.fixed_dictionaries(
    {},
    optional={
        "bn": json_values | st.just("x/"),
        "bt": json_values | st.floats(),
        "bu": json_values | st.sampled_from(["Cel", "K", "%", "degF"]),
        "bv": json_values | st.floats(),
        "bver": json_values | st.just(10),
        "n": json_values | st.sampled_from(list(QUANTITIES)),
        "u": json_values | st.sampled_from(["Cel", "K", "1", "%RH", "m", "furlong"]),
        "v": json_values | st.floats(),
        "vb": json_values,
        "s": json_values,
        "t": json_values | st.floats(),
        "x_": json_values,
    },
)


def check(probe: Probe, payload: bytes) -> None:
    samples, unreadable = Decoder(probe).decode(payload, "x/temperature")
    for sample in samples:
        low, high = QUANTITIES[sample.quantity].possible
        assert math.isfinite(sample.value)
        assert low <= sample.value <= high
        assert sample.time_ms is None or isinstance(sample.time_ms, int)
        assert isinstance(sample.offset_ms, int)
    for each in unreadable:
        assert each.reason
        assert len(each.content) <= decode.KEPT_BYTES
        each.reason.encode("utf-8")
    assert len(unreadable) <= decode.MAX_REFUSED + 1


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=100).map(lambda text: text.encode("utf-8", "surrogatepass")))
@example(b"[" * 60_000)
@example(b'{"a":' * 10_000)
@example(b'"' + b'\\"' * 32_000)
@example(b"9" * 6_000)
@example(b"-1e-999")
@example(b"\xef\xbb\xbf1")
def test_no_bytes_raise(payload: bytes) -> None:
    """Whatever the bytes, each kind of decoder returns samples and reasons and never raises."""
    for probe in (PLAIN, FIELDS, PATTERN):
        check(probe, payload)


@settings(max_examples=300, deadline=None)
@given(st.lists(records, max_size=5) | json_values)
def test_no_json_raises(pack: object) -> None:
    """Whatever the JSON, SenML-shaped or not, the decoders return samples within what is possible."""
    payload = json.dumps(pack).encode()
    check(PLAIN, payload)
    check(FIELDS, payload)


@settings(max_examples=100, deadline=None)
@given(st.lists(records | json_values, max_size=6), st.integers(min_value=0, max_value=6))
def test_a_good_record_survives_its_neighbours(pack: list[object], at: int) -> None:
    """A whole record with its own base fields is read wherever it stands, unless the pack's version is refused."""
    pack = [{**each, "bver": 10} if isinstance(each, dict) else each for each in pack]
    pack = [{k: v for k, v in each.items() if not k.endswith("_")} if isinstance(each, dict) else each for each in pack]
    good = {"bn": "a/", "bt": 0, "bu": "1", "bv": 0, "n": "gravity", "u": "1", "v": 1.0421}
    samples, _ = Decoder(PLAIN).decode(json.dumps([*pack[:at], good, *pack[at:]]).encode(), "x/a")
    assert any(sample.quantity == "gravity" and sample.value == 1.0421 for sample in samples)


def test_a_payload_is_read_in_time_linear_in_its_size() -> None:
    """Escaped quotes, the worst for the search for nan: four times as many do not take sixteen times as long."""

    def seconds(pairs: int) -> float:
        payload, times = b'"' + b'\\"' * pairs, []
        for _ in range(5):
            began = time.thread_time()
            Decoder(PLAIN).decode(payload, "x")
            times.append(time.thread_time() - began)
        return min(times)

    assert seconds(32_000) < 10 * seconds(8_000) + 0.005


def test_a_line_too_long_for_a_pattern_is_refused() -> None:
    """A pattern whose cost grows as the square of the line is not tried on more than 4 KiB of it."""
    samples, unreadable = Decoder(PATTERN).decode(b"-" * 64_000 + b"\nT=4.5", "p")
    assert [sample.value for sample in samples] == [4.5]
    assert "64000 bytes" in unreadable[0].reason


def test_size_is_bounded() -> None:
    """A payload above 64 KiB is refused whole, and only its beginning is kept."""
    samples, unreadable = Decoder(PLAIN).decode(b'[{"n":"gravity","v":1.05}]' + b" " * decode.MAX_PAYLOAD, "x")
    assert samples == ()
    assert "65562 bytes" in unreadable[0].reason
    assert len(unreadable[0].content) == decode.KEPT_BYTES


def test_many_bad_records_are_summed_up() -> None:
    """A hundred bad records keep sixteen reasons and a count of the rest, and the good one beside them."""
    payload = json.dumps([{"n": "gravity", "v": "x"}] * 100 + [{"n": "gravity", "v": 1.05}]).encode()
    samples, unreadable = Decoder(PLAIN).decode(payload, "x")
    assert [sample.value for sample in samples] == [1.05]
    assert len(unreadable) == 17
    assert unreadable[-1].reason == "and 84 more like these"


def test_number_of_samples_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the limit of values in one message the rest is refused with its reason."""
    monkeypatch.setattr(decode, "MAX_SAMPLES", 3)
    samples, unreadable = Decoder(PLAIN).decode(
        b'[{"n":"gravity","v":1.05},' * 1 + b'{"n":"gravity","v":1.05},' * 3 + b"{}]", "x"
    )
    assert len(samples) == 3
    assert "one message may hold 3 values" in unreadable[0].reason


def test_resolution_of_the_rfc_example_with_base_time_and_unit() -> None:
    """The third example of RFC 8428 section 5.1.2 resolves to six amperes a second apart and one voltage."""
    pack = [
        {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e09, "bu": "A", "bver": 5,
         "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]  # fmt: skip
    found = [each for each in senml.resolve(pack) if isinstance(each, senml.Resolved)]
    assert [(each.name, each.unit, each.value) for each in found[:2]] == [
        ("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1.2),
    ]
    assert [each.time_ms for each in found] == [
        1_276_020_076_001 + ms for ms in (0, -5000, -4000, -3000, -2000, -1000, 0)
    ]


def test_resolution_of_the_rfc_example_with_positions() -> None:
    """The example of RFC 8428 section 5.1.3 resolves to the records that section 5.1.4 prints."""
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e09, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3},
        {"u": "%EL", "t": 150, "v": 98},
    ]
    name = "urn:dev:ow:10e2073a01080063"
    assert list(senml.resolve(pack)) == [
        senml.Resolved(name, "%RH", 20.0, 1_320_067_464_000, 0),
        senml.Resolved(name, "lon", 24.30621, 1_320_067_464_000, 0),
        senml.Resolved(name, "lat", 60.07965, 1_320_067_464_000, 0),
        senml.Resolved(name, "%RH", 20.3, 1_320_067_524_000, 0),
        senml.Resolved(name, "%EL", 98.0, 1_320_067_614_000, 0),
    ]


@pytest.mark.parametrize(("seconds", "absolute"), [(2**28 - 1, False), (2**28, True)])
def test_the_border_between_relative_and_absolute_time(seconds: int, absolute: bool) -> None:
    """Below 2**28 s a time is relative (and far ahead, so refused); from there on it is absolute (and 1978)."""
    (refused,) = senml.resolve([{"n": "gravity", "v": 1, "t": seconds}])
    assert isinstance(refused, senml.Refused)
    assert ("1978" in refused.reason) is absolute


def test_a_torn_line_gives_no_shortened_number() -> None:
    """Where the beginning of a line may be missing, a number at its start may be the tail of a longer one."""
    bare = Decoder(Probe(name="a", source="serial", port="p", pattern=r"(?P<temperature>-?[0-9.]+)"))
    assert bare.decode(b"0.5", "p", torn=True)[0] == ()
    assert bare.decode(b"20.5", "p")[0][0].value == 20.5
    named = Decoder(Probe(name="a", source="serial", port="p", pattern=r"T=(?P<temperature>-?[0-9.]+)"))
    assert named.decode(b"H=9 T=20.5", "p", torn=True)[0][0].value == 20.5


def test_a_future_time_is_refused_with_both_clocks_named() -> None:
    """Five minutes ahead is tolerated, a millisecond more is refused with how far ahead it lies."""
    now = 1_772_474_400_000
    assert refuse_future(now + 300_000, now) is None
    assert "300 s in the future" in (refuse_future(now + 300_001, now) or "")
    assert refuse_future(now - 10**9, now) is None


@pytest.mark.parametrize(
    "value", [True, None, [], "", "12:00", "2026-03-02T18:00:00", 1e300, -5, "1e999", float("nan")]
)
def test_times_that_are_none(value: object) -> None:
    """What is no time with an offset and no plausible number of seconds is refused."""
    with pytest.raises(PayloadError):
        own_time(value)


def test_check_fields_names_the_key_and_the_fault() -> None:
    """Each expression that cannot be compiled is reported by its key; good ones are not."""
    found = check_fields({"temperature": "a.b[0]", "gravity": "a..b", "time": "(", "ph": ""})
    assert [key for key, _ in found] == ["gravity", "time", "ph"]
    assert all("is no JMESPath expression" in reason and "\n" not in reason for _, reason in found)
