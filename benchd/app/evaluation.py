"""Evaluates a run folder: reads it, has `analysis` work, writes `results.json`. Run as a process of its own.

`python -m benchd.app.evaluation RUN`; the daemon must never import this file.
"""

import json
import math
import os
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchd.analysis import CapturedWaveform, Record, RecordedPoint, RecordedTest, Zero, evaluate, results_document
from benchd.analysis.results import RecordResults
from benchd.app.deciding import decision_on, raw_files_in
from benchd.app.rehearsing.found import REHEARSAL, found
from benchd.app.streams import place_of
from benchd.app.waveform_scales import described_waveforms, scaled
from benchd.records import (
    Ending,
    RecordsError,
    SampleColumns,
    read_description,
    read_ending,
    read_events,
    read_samples,
    read_waveforms,
    recover,
    reseal,
    verify,
)
from benchd.records.durable import write_whole
from benchd.records.formats import EVENTS, FAULT, REPORT, SUMS
from benchd.rules.channels import Calibration, Coefficients, Contribution

RESULTS = "results.json"
DEVIATIONS_SHOWN = 3  # of each test; the log has them all
MADE_ANEW = (f"{RESULTS} ", f"{REPORT} ")  # what became of the last ones says nothing of the run
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS"), "1")


def evaluate_in_subprocess(folder: Path) -> Mapping[str, Any]:
    """The content of a fresh `results.json`, evaluated with one BLAS thread so that it repeats byte for byte.

    Raises `RecordsError` in one sentence.
    """
    if not folder.is_dir():
        raise RecordsError(f"{folder} is no run folder: name the folder that holds run.json.")
    done = subprocess.run(  # noqa: S603 - this very interpreter and this very file
        [sys.executable, "-m", "benchd.app.evaluation", str(folder)],
        env={**os.environ, **ONE_THREAD},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        last = done.stderr.strip().splitlines()[-1:]
        raise RecordsError(last[0] if last else f"The run {folder} could not be evaluated: status {done.returncode}.")
    results: Mapping[str, Any] = json.loads((folder / RESULTS).read_text())
    return results


def evaluate_folder(folder: Path) -> None:
    """Evaluate this folder and write its `results.json`. Raises `RecordsError` in one sentence."""
    read_description(folder)  # a folder that is none of ours is refused before anything is written into it
    if read_ending(folder) is None:
        recover(folder)  # the run was killed; one that is still being written is refused
    changed = [one for one in verify(folder) if not one.startswith(MADE_ANEW)]
    record, missing = read_record(folder)
    results = _with_deviations(evaluate(record), read_events(folder))
    unfinished = _about_the_ending(folder)
    programme = read_description(folder)["configuration"]["programme"]
    damaged = raw_files_in((*changed, *missing))
    rehearsed = found(folder)
    decision = None  # nothing is decided on a specimen that was simulated
    if rehearsed is None:
        decision = decision_on(programme, results, unfinished=bool(unfinished), damaged=damaged)
    document = results_document(results, decision)
    if rehearsed is not None:
        document[REHEARSAL] = rehearsed
    said = (*unfinished, *_about_the_fault(folder), *_about_the_sensors(folder), *changed, *missing, *results.notes)
    document["notes"] = list(dict.fromkeys(_anywhere(one, folder) for one in said))
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False, sort_keys=False)
    write_whole(folder / RESULTS, (text + "\n").encode())
    if (folder / SUMS).exists():
        reseal(folder)  # sums that are gone are not made anew: they would vouch for whatever stands there now


def _about_the_ending(folder: Path) -> list[str]:
    ending = read_ending(folder)
    if ending is None or ending["ending"] == Ending.COMPLETE:
        return []
    return [f"The run did not complete, it was {ending['ending']}: {ending['why']}"]


def _about_the_fault(folder: Path) -> list[str]:
    if not (folder / FAULT).exists():
        return []
    return [f"The fault record, every reading about the first cause as it arrived, is {FAULT} in the run folder."]


def _with_deviations(results: RecordResults, events: Sequence[Mapping[str, Any]]) -> RecordResults:
    """What each test itself said of its points, such as a speed that did not settle; of many alike the first few."""
    told: dict[int, dict[str, None]] = {}
    for event in events:
        if event["event"] == "deviation":
            told.setdefault(int(event["test"]), {})[str(event["sentence"])] = None
    tests = {}
    for name, test in results.tests.items():
        notes = list(told.get(test.index, ()))
        if len(notes) > DEVIATIONS_SHOWN:
            notes[DEVIATIONS_SHOWN:] = [f"Of this kind there are {len(notes) - DEVIATIONS_SHOWN} more in the log."]
        tests[name] = replace(test, notes=(*notes, *test.notes))
    return replace(results, tests=tests)


def _about_the_sensors(folder: Path) -> list[str]:
    """A sensor that was past its date when the run began."""
    description = read_description(folder)
    day = str(description["started_utc"])[:10]
    return [
        f"{channel['name']}: the calibration of {plain['sensor']} ({plain['serial']}) was due on {plain['due_on']}, "
        f"before the run on {day}."
        for channel in description["channels"]
        if (plain := channel.get("calibration")) is not None and str(plain["due_on"]) < day
    ]


def read_record(folder: Path) -> tuple[Record, Sequence[str]]:
    """The folder as `analysis` wants it, and sentences about what is missing in it."""
    description = read_description(folder)
    events = read_events(folder)
    samples = read_samples(folder)
    cut_off = _cut_off(events)
    channels = {str(channel["name"]): channel for channel in description["channels"]}
    record = Record(
        time_mono_s=samples.time_mono_s,
        test=samples.test,
        point=_whole_windows(samples, cut_off),
        values=samples.values,
        ages_s={name: ages.astype(np.float64) for name, ages in samples.ages_s.items()},
        quality=samples.quality,
        units=samples.units,
        calibrations={name: calibration_of(channel) for name, channel in channels.items()},
        zeros=_zeros(events),
        tests=[
            RecordedTest(
                index=int(test["index"]),
                kind=str(test["kind"]),
                settings=test["settings"],
                points=_points(events, int(test["index"]), cut_off),
            )
            for test in description["tests"]
        ],
        motor=description["configuration"]["motor"],
        setup=description["configuration"]["setup"],
        waveforms=_waveforms(folder, description),
    )
    left_out = (
        f"Point {number} of test {test} was cut off before its window was full and is left out."
        for test, number in sorted(cut_off)
    )
    return record, (*samples.missing, *left_out, *_without_events(samples, events))


def _waveforms(folder: Path, description: Mapping[str, Any]) -> list[CapturedWaveform]:
    """The captured windows, calibrated by what `run.json` says of each waveform; what is damaged is said in `lossy`."""
    known = described_waveforms(description.get("waveforms"))
    return [
        CapturedWaveform(
            test=one.test,
            point=one.point,
            rate_hz=one.rate_hz,
            values={
                str(known[signal]["name"]): scaled(raw.astype(np.float64), known[signal])
                for signal, raw in one.values.items()
                if signal in known
            },
            lossy=one.lossy,
        )
        for one in read_waveforms(folder)
    ]


def calibration_of(channel: Mapping[str, Any]) -> Calibration | None:
    """A channel's calibration as it was written into `run.json`."""
    plain = channel.get("calibration")
    if plain is None:
        return None
    negative = plain.get("negative")  # absent in older folders
    known = {
        **plain,
        "contributions": tuple(Contribution(**one) for one in plain["contributions"]),
        "negative": None if negative is None else Coefficients(**negative),
    }
    return Calibration(**known)


def _whole_windows(samples: SampleColumns, cut_off: set[tuple[int, int]]) -> np.ndarray[Any, np.dtype[np.int16]]:
    """The points with only the last contiguous window of each, and none of one that was cut off.

    A point that was held in between was averaged again.
    """
    point, test = samples.point, samples.test
    kept = np.full_like(point, -1)
    inside = np.flatnonzero(point >= 0)
    if inside.size == 0:
        return kept
    new = np.ones(inside.size, dtype=bool)
    new[1:] = (
        (np.diff(inside) > 1) | (point[inside][1:] != point[inside][:-1]) | (test[inside][1:] != test[inside][:-1])
    )
    windows = np.split(inside, np.flatnonzero(new)[1:])
    last = {(int(test[rows[0]]), int(point[rows[0]])): rows for rows in windows}
    for place, rows in last.items():
        if place not in cut_off:
            kept[rows] = point[rows]
    return kept


def _zeros(events: Iterable[Mapping[str, Any]]) -> dict[str, Zero]:
    return {
        str(event["channel"]): Zero(
            value=float(event["value"]),
            standard_uncertainty=float(event["standard_uncertainty"]),
            degrees_of_freedom=float(event.get("degrees_of_freedom", math.inf)),
        )
        for event in events
        if event["event"] == "zero"
    }


def _cut_off(events: Iterable[Mapping[str, Any]]) -> set[tuple[int, int]]:
    """Test and number of every point whose averaging was begun and not brought to its end."""
    whole: dict[tuple[int, int], bool] = {}
    for event in events:
        if event["event"] in {"point_started", "point_ended"}:
            ended = event["event"] == "point_ended" and bool(event.get("whole", True))
            whole[int(event["test"]), int(event["number"])] = ended
    return {place for place, ended in whole.items() if not ended}


def _without_events(samples: SampleColumns, events: Iterable[Mapping[str, Any]]) -> list[str]:
    """Points that samples were taken at and that the events, which say what was asked there, do not know."""
    known = {(int(event["test"]), int(event["number"])) for event in events if event["event"] == "point_started"}
    inside = samples.point >= 0
    taken = {(int(t), int(p)) for t, p in zip(samples.test[inside], samples.point[inside], strict=True)}
    lost: dict[int, list[str]] = {}
    for test, number in sorted(taken - known):
        lost.setdefault(test, []).append(str(number))
    return [
        f"Samples of point{'s' if len(numbers) > 1 else ''} {', '.join(numbers)} of test {test} stand without their "
        f"event in {EVENTS}, which says what was asked there, and are left out."
        for test, numbers in lost.items()
    ]


def _points(events: Iterable[Mapping[str, Any]], test: int, cut_off: set[tuple[int, int]]) -> list[RecordedPoint]:
    found = {
        int(event["number"]): RecordedPoint(
            point=int(event["number"]), direction=event["direction"], asked=event["asked"]
        )
        for event in events
        if event["event"] == "point_started" and event["test"] == test and (test, int(event["number"])) not in cut_off
    }
    return [found[number] for number in sorted(found)]


def _anywhere(sentence: str, folder: Path) -> str:
    """The sentence without where the folder happens to stand: a copy of it gives the same bytes."""
    return sentence.replace(f"{folder}/", "").replace(str(folder), "The folder")


def main(folder: Path) -> None:
    """Evaluate this folder; ends with one sentence on standard error where that is not possible."""
    try:
        evaluate_folder(folder)
    except RecordsError as error:
        sys.exit(str(error))
    except Exception as error:  # noqa: BLE001 - a spoilt folder may spoil anything
        what = f"{type(error).__name__} in {place_of(error)}: {error}"
        sys.exit(f"The run {folder} could not be evaluated ({what}): take the folder from a copy, or report it.")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
