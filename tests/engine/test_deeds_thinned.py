"""What retention may thin once batches move about: only what no open batch has any part in."""

from monitor.app import closed_spans
from monitor.model.clock import HOUR
from monitor.model.deeds import Racked, Split
from monitor.model.inputs import BatchClosed, BatchStarted

from .cellar import PITCHED, Cellar
from .test_deeds_moves import TWO


def test_a_racked_batch_leaves_what_stood_in_its_vessel_before() -> None:
    """Of the jug only what was said since the racking; of the bucket, until then."""
    cellar = Cellar(TWO)
    cellar.wait(10 * HOUR)
    racked = cellar.now
    cellar.tell(Racked(batch="amber-1", to="jug", at=racked))
    cellar.wait(10 * HOUR)
    cellar.tell(BatchClosed(batch="amber-1"))
    closed = cellar.now
    assert sorted(closed_spans(cellar.state)) == [("float-a", PITCHED, racked), ("float-b", racked, closed)]


def test_the_next_batch_in_a_vessel_keeps_its_own() -> None:
    """Pitched into the bucket once that was free: what the probe says there from then on is the new batch's."""
    cellar = Cellar(TWO)
    cellar.wait(10 * HOUR)
    racked = cellar.now
    cellar.tell(Racked(batch="amber-1", to="jug", at=racked))
    cellar.wait(HOUR)
    cellar.tell(BatchStarted(batch={"name": "pale", "vessel": "bucket", "pitched": cellar.now}))
    cellar.wait(HOUR)
    cellar.tell(BatchClosed(batch="amber-1"))
    assert ("float-a", PITCHED, racked) in closed_spans(cellar.state)
    assert max(end for probe, _, end in closed_spans(cellar.state) if probe == "float-a") == racked


def test_nothing_of_a_batch_is_thinned_while_a_part_of_it_is_open() -> None:
    """What was seen of the whole is where the part began."""
    cellar = Cellar(TWO)
    cellar.wait(10 * HOUR)
    cellar.tell(Split(batch="amber-1", name="amber-1b", vessel="jug", volume_l=4.0, at=cellar.now))
    cellar.wait(HOUR)
    cellar.tell(BatchClosed(batch="amber-1"))
    assert closed_spans(cellar.state) == []
    cellar.tell(BatchClosed(batch="amber-1b"))
    assert {probe for probe, _, _ in closed_spans(cellar.state)} == {"float-a", "float-b"}
