"""The simulated bench that a rehearsal runs on: which one, of what values. It plays nothing."""

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.app.discovery import Unavailable, find_twin
from benchd.app.rehearsing.earlier import refined
from benchd.app.rehearsing.plate import plate_of
from benchd.app.wiring import PlannedRun
from benchd.contract import SimulatedBench, Twin
from benchd.settings.bench import Bench

TWIN = "rig"
SEED = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinBench:
    """A simulated bench, made by `make` as often as it is called, each time the same; what it is goes into marks."""

    name: str
    specimen: str
    seed: int
    make: Callable[[], SimulatedBench]
    assumed: tuple[str, ...] = ()
    earlier: tuple[Mapping[str, Any], ...] = field(default=())

    def marks(self) -> Mapping[str, Any]:
        """What `run.json` says of it."""
        return {
            "twin": self.name,
            "specimen": self.specimen,
            "seed": self.seed,
            "assumed": list(self.assumed),
            "earlier": [dict(one) for one in self.earlier],
        }


def twin_for(
    bench: Bench,
    run: PlannedRun,
    *,
    twin: str = TWIN,
    specimen: str | None = None,
    seed: int = SEED,
    coarse: bool = True,
) -> TwinBench:
    """The simulated bench for this job: of the files' values where the twin can, else of a specimen by the motor file.

    `specimen` names one that comes along instead, always in fine steps; coarse ones are for speed. Raises `Unavailable`
    in one sentence where there is none that fits.
    """
    found = find_twin(twin)
    if specimen is None and found.from_plate is not None:
        return _on_plate(found, bench, run, seed=seed, coarse=coarse)
    name = specimen or run.job.motor.document.file.stem
    if name not in found.specimens:
        raise Unavailable(
            f"The simulated bench '{found.name}' has no specimen '{name}': choose one of "
            f"{', '.join(sorted(found.specimens))}."
        )
    maker = _maker(found)

    def make() -> SimulatedBench:
        made: SimulatedBench = maker(name, seed=seed)
        return made

    return _with_its_devices(bench, TwinBench(name=found.name, specimen=name, seed=seed, make=make))


def _on_plate(found: Twin, bench: Bench, run: PlannedRun, *, seed: int, coarse: bool) -> TwinBench:
    job = run.job

    def make() -> SimulatedBench:
        return found.on_plate(plate, seed=seed, coarse=coarse)

    try:
        plate = plate_of(bench, job.motor, job.setup)
        plate, earlier = refined(plate, bench.data_directory, job.motor.document.data)
        assumed = make().assumed
    except ValueError as error:
        raise Unavailable(str(error)) from error
    except ImportError as error:
        raise Unavailable(f"{error} Install the simulated bench again.") from error
    specimen = f"as {job.motor.document.file.name} states it"
    return _with_its_devices(
        bench, TwinBench(name=found.name, specimen=specimen, seed=seed, make=make, assumed=assumed, earlier=earlier)
    )


def _with_its_devices(bench: Bench, twin: TwinBench) -> TwinBench:
    made = twin.make()
    lacking = [name for name in bench.devices if name not in made]
    if lacking:
        origin = bench.document.origin(("devices", lacking[0], "driver"))
        raise Unavailable(
            f"{origin}: the simulated bench '{twin.name}' with the specimen '{twin.specimen}' has no device "
            f"'{lacking[0]}': take a specimen of this bench, or name its devices as the benches that come along do."
        )
    return twin


def _maker(twin: Twin) -> Callable[..., Any]:
    module, _, attribute = twin.in_process.partition(":")
    try:
        made: Callable[..., Any] = getattr(importlib.import_module(module), attribute)
    except Exception as error:  # a plugin may fail in any way
        raise Unavailable(
            f"The simulated bench '{twin.name}' cannot be loaded ({type(error).__name__}: {error}): install it again."
        ) from error
    return made
