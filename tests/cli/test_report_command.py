"""`leeswatch report` and `leeswatch batch compare`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.helpers import run_here, run_there
from tests.report.conftest import filled, own, shed  # noqa: F401 - fixtures
from tests.report.shed import write_config


def test_a_report_is_written_and_never_written_over(
    own: Path,  # noqa: F811
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
):
    """The file is there; a second time it is refused with exit 2 and left alone, until --force."""
    out = tmp_path / "left.html"
    assert run_here(capsys, "report", "hedge-left", "--config", own, "--out", out) == (0, f"written: {out}\n", "")
    assert "<h1>hedge-left</h1>" in out.read_text(encoding="utf-8")
    out.write_text("mine")
    code, _, err = run_here(capsys, "report", "hedge-left", "--config", own, "--out", out)
    assert code == 2
    assert "--force" in err
    assert out.read_text() == "mine"
    assert run_here(capsys, "report", "hedge-left", "--config", own, "--out", out, "--force")[0] == 0
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert [each.name for each in tmp_path.iterdir() if each.name.startswith(".")] == []


def test_its_name_follows_from_the_batch(own: Path, tmp_path: Path):  # noqa: F811
    """Without --out the report lies where the command was started, named by the batch; the labels likewise."""
    done = run_there("report", "hedge-left", "--config", own, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "hedge-left.html").exists()
    assert run_there("report", "--labels", "hedge-left", "--config", own, cwd=tmp_path).returncode == 0
    assert (tmp_path / "labels.html").exists()


def test_a_pdf_is_made_by_the_name_of_the_file(own: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path):  # noqa: F811
    """`.pdf` makes a PDF, of a report and of labels; `.svg` is for labels."""
    for words in (["hedge-right"], ["--labels", "hedge-right", "hedge-jar-1"]):
        out = tmp_path / f"{len(words)}.pdf"
        assert run_here(capsys, "report", *words, "--config", own, "--out", out)[0] == 0
        assert out.read_bytes().startswith(b"%PDF-")
    out = tmp_path / "l.svg"
    assert (
        run_here(capsys, "report", "--labels", "hedge-jar-1", "--size", "70x40", "--config", own, "--out", out)[0] == 0
    )
    assert out.read_text(encoding="utf-8").startswith("<svg ")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["report"], "name one batch, or --labels"),
        (["report", "hedge-left", "--labels", "hedge-left"], "name one batch, or --labels"),
        (["report", "nobody"], 'no batch "nobody"; batches: hedge-left, hedge-right'),
        (["report", "hedge-left", "--beside", "nobody"], 'there is no batch "nobody"'),
        (["report", "hedge-left", "--beside", "hedge-left"], "differs in nothing from itself"),
        (["report", "hedge-left", "--out", "x.docx"], "end its name in .html or .pdf"),
        (["report", "hedge-left", "--out", "x.svg"], "end its name in .html or .pdf"),
        (["report", "hedge-left", "--out", "none/x.pdf"], "no folder none"),
        (["report", "--labels", "nobody"], "no batch and no jar"),
        (["report", "--labels", "hedge-jar-2"], "was discarded"),
        (["report", "--labels", "hedge-left", "--size", "31x20"], "too small for hedge-left"),
        (["report", "--labels", "hedge-left", "--beside", "hedge-right"], "labels compare nothing"),
        (["batch", "compare", "hedge-left", "nobody"], "there is no batch nobody"),
        (["batch", "compare", "hedge-left", "hedge-left"], "differs in nothing from itself"),
    ],
)
def test_what_cannot_be_is_refused_with_a_remedy(
    words: list[str],
    said: str,
    shed: Path,  # noqa: F811
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
):
    """Exit 2, one line that says what is wrong, and no file."""
    monkeypatch.chdir(tmp_path)
    code, out, err = run_here(capsys, *words, "--config", shed)
    assert (code, out) == (2, "")
    assert said in err
    assert list(tmp_path.iterdir()) == []


def test_hand_readings_alone_make_a_report(own: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path):  # noqa: F811
    """A batch without a probe is drawn by its hydrometer readings, and its numbers say so."""
    for day, value in enumerate((1.0535, 1.031, 1.012, 1.004)):
        when = f"2026-04-{15 + day}T09:00:00Z"
        assert (
            run_here(capsys, "batch", "reading", "silent", value, "--at", "20", "--when", when, "--config", own)[0] == 0
        )
    out = tmp_path / "silent.html"
    assert run_here(capsys, "report", "silent", "--config", own, "--out", out)[0] == 0
    page = out.read_text(encoding="utf-8")
    assert "Diamonds: read by hand" in page
    assert page.count('class="tone1 open"') == 2 * 4  # in the wide drawing and in the narrow one
    assert "a hydrometer, Sat 18 April 2026" in page


def test_labels_without_a_public_address_say_so(own: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path):  # noqa: F811
    """The codes hold names only then, and which setting would make them open the page is said."""
    write_config(own.parent, public_url=None)
    words = ("report", "--labels", "hedge-left", "--config", own, "--out", tmp_path / "l.html")
    code, _, err = run_here(capsys, *words)
    assert code == 0
    assert "public_url" in err


def test_two_batches_are_compared_as_table_and_json(shed: Path, capsys: pytest.CaptureFixture[str]):  # noqa: F811
    """Every row with its errors and whether it is more than the noise; the summary in both forms."""
    code, table, _ = run_here(capsys, "batch", "compare", "hedge-left", "hedge-right", "--config", shed)
    assert code == 0
    code, out, _ = run_here(capsys, "batch", "compare", "hedge-left", "hedge-right", "--json", "--config", shed)
    assert code == 0
    told = json.loads(out)
    assert told["summary"] in table
    rows = {row["what"]: row for row in told["differences"]}
    assert rows["half"]["beyond"] is True
    assert rows["half"]["difference"] == pytest.approx(18.0, abs=3.0)  # as the shed's curves were made
    assert rows["clearing"]["difference"] is None
    assert "hedge-right" in rows["clearing"]["missing"]


def test_a_batch_without_readings_is_compared_in_words(shed: Path, capsys: pytest.CaptureFixture[str]):  # noqa: F811
    """Nothing to compare is an answer, not an error."""
    code, out, _ = run_here(capsys, "batch", "compare", "hedge-left", "silent", "--config", shed)
    assert code == 0
    assert "hedge-left and silent cannot be compared yet (silent: no gravity was read)." in out
