"""`benchd export` on the command line: a file, or one sentence."""

from datetime import UTC, datetime

import pytest

from benchd.records import Journal, RunFolder

pytestmark = pytest.mark.usefixtures("nothing_runs")


@pytest.fixture
def killed_run(tmp_path):
    description = {
        "operator": "Odile Brandvold",
        "software": {},
        "configuration": {},
        "channels": [{"name": "shaft_torque", "unit": "N·m"}],
        "tests": [],
        "clock": {"mono_s": 100.0, "utc_ns": 1_790_000_000_000_000_000},
    }
    folder = RunFolder.create(
        tmp_path,
        order="17",
        serial="0042",
        programme="short",
        started=datetime(2026, 11, 25, 10, 34, tzinfo=UTC),
        description=description,
        minimum_free_bytes=0,
    )
    journal = Journal(folder, [("shaft_torque", "N·m")])
    journal.append(time_mono_s=100.0, state=6, test=0, point=0, values=[0.25], ages_s=[0.0], quality=[0])
    journal.flush()
    journal._release()  # as the kernel does after a kill
    return folder.path


def test_the_samples_of_a_run_are_written_beside_it_and_the_file_is_named(typed, killed_run):
    said = typed("export", str(killed_run))
    assert said.status == 0
    assert said.out.strip() == str(killed_run / "samples.csv")
    assert (killed_run / "samples.csv").read_text(encoding="utf-8").splitlines()[1] == "100,6,0,0,0.25"


def test_what_is_no_run_is_one_sentence(typed, tmp_path):
    said = typed("export", str(tmp_path / "nothing"))
    assert said.status == 1
    assert "there are no samples" in said.sentence
    assert typed("export").status == 2
