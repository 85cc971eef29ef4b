"""Each folder under cases/ is one payload, the probe that sent it, and what must come out of it.

Those named rfc8428 quote the examples of RFC 8428 section 5 (from stored copies of its drafts and of test suites that
cite the final text). Most of their names are no quantities of ours: then the reason must say so.
"""

import json
import tomllib
from pathlib import Path

import pytest

from monitor.intake.decode import Decoder
from monitor.model.clock import iso
from monitor.model.config import Probe

CASES = sorted(path for path in (Path(__file__).parent / "cases").iterdir() if path.is_dir())


@pytest.mark.parametrize("folder", CASES, ids=lambda folder: folder.name)
def test_case(folder: Path) -> None:
    """A payload gives exactly the samples and the reasons that its folder expects, in order."""
    probe = Probe.model_validate(tomllib.loads((folder / "probe.toml").read_text(encoding="utf-8")))
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    origin = expected.get("origin", "cellar/float-a")
    samples, unreadable = Decoder(probe).decode((folder / "payload").read_bytes(), origin)

    found = [
        {
            "quantity": sample.quantity,
            "value": sample.value,
            **({"time": iso(sample.time_ms)} if sample.time_ms is not None else {}),
            **({"offset_ms": sample.offset_ms} if sample.offset_ms else {}),
        }
        for sample in samples
    ]
    assert found == expected["samples"]
    assert len(unreadable) == len(expected["unreadable"]), [each.reason for each in unreadable]
    for each, reason in zip(unreadable, expected["unreadable"], strict=True):
        assert reason in each.reason
        assert (each.source, each.origin) == (probe.source, origin)
        each.reason.encode("utf-8")  # whatever the payload held, the reason can be stored
