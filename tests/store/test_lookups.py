"""Single questions to a store: what a series holds at a time, what the journal ends with, what was said of a batch."""

from pathlib import Path

from monitor.model.events import VerdictEvent
from monitor.store.reader import Reader
from monitor.store.store import Store

from .helpers import NOW, entry, file_group, reading, started, verdict


def test_a_value_is_found_by_its_key(tmp_path: Path) -> None:
    """Writer and reader say the same: the value at that millisecond, None one beside it or of another series."""
    path = tmp_path / "store.db"
    with Store.open(path) as store:
        with store.transaction():
            store.add_reading(reading(3, value=19.25))
        at = reading(3).measured_ms
        with Reader(path) as reader:
            for each in (store, reader):
                assert each.value_at("float-a", "temperature", at) == 19.25
                assert each.value_at("float-a", "temperature", at + 1) is None
                assert each.value_at("float-a", "gravity", at) is None
                assert each.value_at("nobody", "temperature", at) is None
        assert ("nobody",) not in store._connection.execute("SELECT probe FROM series").fetchall()


def test_the_journal_is_read_by_itself_and_so_is_its_end(tmp_path: Path) -> None:
    """In the order received; the latest input of a store may be a reading."""
    path = tmp_path / "store.db"
    with Store.open(path) as store:
        with Reader(path) as reader:
            assert (reader.last_entry(), reader.last_received(), list(reader.journal())) == (None, 0, [])
        with store.transaction():
            store.add_journal(entry(NOW + 5))
            store.add_journal(started(NOW + 1))
            store.add_reading(reading(1))
        with Reader(path) as reader:
            assert [each.received for each in reader.journal()] == [NOW + 1, NOW + 5]
            assert list(reader.journal()) == list(store.journal())
            assert reader.last_entry() == entry(NOW + 5)
            assert reader.last_received() == store.last_received() == reading(1).received_ms


def test_verdicts_are_those_of_one_batch(tmp_path: Path) -> None:
    """In the order they were passed, without alerts and without other batches."""
    path = tmp_path / "store.db"
    other = VerdictEvent(NOW, "amber-2", "stalled", 0.9, ("it stands still",), gravity=1.03)
    with Store.open(path) as store:
        file_group(store, 1)
        with store.transaction():
            store.add_outcome([other, verdict(7)], [], [])
        with Reader(path) as reader:
            assert [each["verdict"] for each in reader.verdicts("amber-1")] == ["working", "working"]
            assert [each["batch"] for each in reader.verdicts("amber-2")] == ["amber-2"]
            assert list(reader.verdicts("amber-3")) == []


def test_a_counter_is_read_back(tmp_path: Path) -> None:
    """Nothing counted yet is none."""
    with Store.open(tmp_path / "store.db") as store:
        assert store.counted("conflicts") == 0
        with store.transaction():
            store.count("conflicts", 3)
        assert store.counted("conflicts") == 3
