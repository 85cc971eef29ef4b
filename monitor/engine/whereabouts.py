"""Which batch was in which vessel when: for whoever files readings by batch."""

from __future__ import annotations

from collections import defaultdict

from monitor.engine.state import State

Stay = tuple[int, int | None, str]  # from, to (open where None) and the batch; UTC ms


class Whereabouts:
    """The stays of a state's batches; worked out anew only after a journal entry, which alone can change them."""

    def __init__(self, state: State) -> None:
        self.state = state
        self._entries = -1
        self._stays: dict[str, list[Stay]] = {}

    def batch_in(self, place: str | None, at_ms: int) -> str | None:
        """The batch that was at a place such as `vessel:bucket-a`; the later one where two claim the moment."""
        if place is None:
            return None
        if self._entries != self.state.entries:
            self._stays = stays(self.state)
            self._entries = self.state.entries
        found = None
        for since, until, batch in self._stays.get(place, ()):
            if since <= at_ms and (until is None or at_ms < until):
                found = batch
        return found


def stays(state: State) -> dict[str, list[Stay]]:
    """By place, the batches that were there, in the order in which they came."""
    found: dict[str, list[Stay]] = defaultdict(list)
    for batch in state.batches.values():
        homes = batch.homes or [(batch.pitched_ms, batch.vessel)]
        ends = [*(since for since, _ in homes[1:]), batch.closed_ms]
        for (since, vessel), until in zip(homes, ends, strict=True):
            found[f"vessel:{vessel}"].append((since, until, batch.name))
    return {place: sorted(each, key=lambda stay: stay[0]) for place, each in found.items()}
