"""`benchd report --against`: which rehearsal it takes, what it refuses, and that no result changes by it."""

import functools
import os
from pathlib import Path

import pytest

from benchd.app.against import rehearsal_for
from benchd.app.recorder import open_recorder
from benchd.records import RecordsError

from ..report.pdf_text import Pdf, squeezed
from . import ideal_run

MARK = {"rehearsal": {"twin": "rig", "specimen": "as the motor file states it", "seed": 1}}


def rehearsed(files, data: Path, monkeypatch: pytest.MonkeyPatch, *, ohm: float = 0.50) -> Path:
    """A rehearsal's folder, of a motor whose winding has this resistance."""
    with monkeypatch.context() as patch:
        patch.setattr(ideal_run, "OHM", ohm)
        patch.setattr(ideal_run, "open_recorder", functools.partial(open_recorder, more=MARK))
        return ideal_run.record(files, data / "rehearsals")


def test_the_report_holds_the_run_against_the_newest_rehearsal_and_changes_no_result(
    typed, site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Measured 0.62 Ω against rehearsed 0.50 Ω: 24 % more."""
    data = tmp_path / "data"
    run = ideal_run.record(site.files, data)
    rehearsed(site.files, data, monkeypatch)
    assert typed("report", str(run)).status == 0
    results, alone = (run / "results.json").read_bytes(), (run / "report.pdf").read_bytes()
    assert "Rehearsedagainstmeasured" not in squeezed(Pdf(alone).text)
    said = typed("report", str(run), "--against", "newest")
    assert said.status == 0, said.err
    text = squeezed(Pdf((run / "report.pdf").read_bytes()).text)
    assert "Rehearsedagainstmeasured" in text
    assert "thewinding'sresistanceishigher(+24%)" in text.replace("’", "'")
    assert "windingresistanceat20°C" in text
    assert "twinrig;specimenasthemotorfilestatesit;seed1" in text
    assert (run / "results.json").read_bytes() == results
    assert typed("report", str(run), "--against", "newest").status == 0
    assert squeezed(Pdf((run / "report.pdf").read_bytes()).text) == text


def test_newest_is_the_one_that_was_written_last(site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = tmp_path / "data"
    run = ideal_run.record(site.files, data)
    folders = [rehearsed(site.files, data, monkeypatch, ohm=ohm) for ohm in (0.5, 0.6)]
    for place, folder in enumerate(reversed(folders)):
        os.utime(folder / "run.json", (1e9 + place, 1e9 + place))
    assert rehearsal_for(run, "newest") == folders[0].resolve()
    os.utime(folders[1] / "run.json", (2e9, 2e9))
    assert rehearsal_for(run, "newest") == folders[1].resolve()


def test_a_rehearsal_of_another_programme_or_motor_type_is_refused(
    site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    run = ideal_run.record(site.files, data)
    site.change("programmes/vent_flap_acceptance.toml", "average_time_s = 1.5", "average_time_s = 1.6")
    other = rehearsed(site.files, data, monkeypatch)
    with pytest.raises(RecordsError, match=r"rehearses another programme than .* has: rehearse what was run"):
        rehearsal_for(run, str(other))
    with pytest.raises(RecordsError, match="holds no rehearsal of this run's programme and motor type"):
        rehearsal_for(run, "newest")
    site.change("programmes/vent_flap_acceptance.toml", "average_time_s = 1.6", "average_time_s = 1.5")
    site.change("motors/vent_flap_24v.toml", 'type_designation = "LK24-80"', 'type_designation = "LK24-81"')
    with pytest.raises(RecordsError, match="rehearses another motor type"):
        rehearsal_for(run, str(rehearsed(site.files, data, monkeypatch)))


def test_a_run_is_no_rehearsal_and_a_rehearsal_no_run(
    typed, site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    run, rehearsal = ideal_run.record(site.files, data), rehearsed(site.files, data, monkeypatch)
    said = typed("report", str(run), "--against", str(run))
    assert (said.status, said.sentence) == (
        1,
        f"{run} is no rehearsal: name a folder that benchd rehearse made, or newest.",
    )
    assert not (run / "report.pdf").exists()
    with pytest.raises(RecordsError, match="is a rehearsal itself: name the folder of a run"):
        rehearsal_for(rehearsal, str(rehearsal))
