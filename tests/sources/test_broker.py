"""Passwords, certificates and listening in, against a real broker."""

import gc
import subprocess
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.model.clock import ManualClock
from monitor.model.config import Mqtt, Probe, Tls
from monitor.model.errors import SourceError
from monitor.sources.broker import TOPICS_HEARD, hear_broker
from monitor.sources.mqtt import MqttSource
from simulators.wires import Broker, BrokerLink, private_broker

from .helpers import Inbox, until


def openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Broker, Path]]:
    """A broker that wants a password over TLS, and the folder with its certificates and the password."""
    keys = tmp_path_factory.mktemp("keys")
    short = ("-newkey", "rsa:2048", "-nodes", "-days", "2")
    openssl(keys, "req", "-x509", *short, "-keyout", "ca.key", "-out", "ca.crt", "-subj", "/CN=test authority")
    openssl(keys, "req", *short[:3], "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=127.0.0.1")
    (keys / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    openssl(keys, "x509", "-req", "-in", "server.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", "names", "-out", "server.crt")  # fmt: skip
    openssl(keys, "req", "-x509", *short, "-keyout", "other.key", "-out", "other.crt", "-subj", "/CN=stranger")
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(keys / "passwords"), "cellar", "hush"], check=True)
    (keys / "password").write_text("hush\n")
    (keys / "wrong").write_text("loud\n")
    extra = (
        f"allow_anonymous false\npassword_file {keys}/passwords\ncafile {keys}/ca.crt\n"
        f"certfile {keys}/server.crt\nkeyfile {keys}/server.key"
    )
    with private_broker(tmp_path_factory.mktemp("guarded"), extra=extra) as broker:
        yield broker, keys


def settings(broker: Broker, keys: Path, *, ca: str = "ca.crt", password: str = "password") -> Mqtt:
    return Mqtt(
        port=broker.port,
        client_id=f"t-{uuid.uuid4().hex[:8]}",
        username="cellar",
        password_file=keys / password,
        tls=Tls(ca=keys / ca),
    )


def test_a_password_over_tls(guarded: tuple[Broker, Path], inbox: Inbox, clock: ManualClock) -> None:
    """With the authority's certificate and the password from its file, messages come as from any broker."""
    source = MqttSource(settings(*guarded), [Probe(name="a", source="mqtt", topic="x/a")], inbox, clock)
    source.start()
    try:
        until(lambda: source.status().connected)
        time.sleep(0.2)
        assert source.publish("x/a", b'{"n":"gravity","v":1.05}')
        (message,) = inbox.wait(1)
        assert message.receipt is not None
        message.receipt()
        assert inbox.values() == [("a", "gravity", 1.05)]
    finally:
        source.stop()
    assert not source.alive()


# paho leaves the socket of a failed handshake to the garbage collector, which says so.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("changed", "reason"),
    [({"password": "wrong"}, "refuses"), ({"ca": "other.crt"}, "cannot be reached")],
    ids=["wrong-password", "strange-authority"],
)
def test_what_is_not_trusted_is_refused(
    guarded: tuple[Broker, Path], inbox: Inbox, clock: ManualClock, changed: dict[str, str], reason: str
) -> None:
    """A wrong password, and a broker whose certificate is of another authority, are said and tried again."""
    source = MqttSource(settings(*guarded, **changed), [], inbox, clock)
    source.start()
    try:
        until(lambda: reason in source.status().detail)
        assert not source.status().connected
        assert source.alive()
    finally:
        source.stop()
        source._client = None  # type: ignore[assignment]
        gc.collect()


@pytest.mark.parametrize("missing", [{"password": "none"}, {"ca": "none.crt"}])
def test_a_missing_file_is_an_error_at_once(
    tmp_path: Path, inbox: Inbox, clock: ManualClock, missing: dict[str, str]
) -> None:
    """A password or certificate that cannot be read stops the start with the reason."""
    (tmp_path / "password").write_text("hush")
    given = Mqtt(username="a", password_file=tmp_path / missing.get("password", "password"),
                 tls=Tls(ca=tmp_path / missing["ca"]) if "ca" in missing else None)  # fmt: skip
    with pytest.raises(SourceError, match=r"password or certificates.*correct \[mqtt\]"):
        MqttSource(given, [], inbox, clock)


def test_listening_tells_every_topic(shared_broker: Broker, link: BrokerLink, mqtt: Mqtt) -> None:
    """What is published and what is retained within the time is counted by topic, with a sample of the last."""
    topic = f"cellar/{uuid.uuid4().hex[:8]}"
    link.publish(f"{topic}/kept", b"k" * 500, retained=True)
    link.settle()

    def meanwhile(_: float) -> None:
        for n in range(3):
            link.publish(topic, b"%d" % n)
        link.settle()
        time.sleep(1.0)  # the broker has them; a busy machine may hand them on late

    heard = hear_broker(mqtt, 60.0, meanwhile)
    assert heard[topic] == (3, b"2")
    assert heard[f"{topic}/kept"] == (1, b"k" * 200)
    assert len(heard) <= TOPICS_HEARD
    link.publish(f"{topic}/kept", b"", retained=True)


def test_listening_where_no_broker_is(mqtt: Mqtt, guarded: tuple[Broker, Path]) -> None:
    """A broker that cannot be reached, or refuses, is an error with the reason and what to do."""
    with pytest.raises(SourceError, match="cannot be reached"):
        hear_broker(mqtt.model_copy(update={"port": 1}), 0.1)
    with pytest.raises(SourceError, match="refuses"):
        hear_broker(settings(*guarded, password="wrong"), 0.1)
