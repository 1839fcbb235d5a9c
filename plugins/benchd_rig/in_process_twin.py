"""What the in-process drivers of one simulated bench are together: a mapping by device name, with the bench behind it.

Its one job is what whoever rehearses may ask of the bench as a whole: buttons, long steps, the truth.
"""

import contextlib
import dataclasses
from collections.abc import Iterator, Mapping

from benchd.contract import Driver, Dwelt, SimulatedBench
from benchd_rig.bench import Bench
from benchd_rig.safety_chain import Button, ResetRefusedError


class RigDrivers(SimulatedBench):
    """Drivers by device name, all on one bench; `bench` is for those who break things and look at the truth."""

    def __init__(self, bench: Bench, drivers: Mapping[str, Driver], *, assumed: tuple[str, ...] = ()) -> None:
        self.bench = bench
        self._drivers = dict(drivers)
        self._assumed = assumed

    def __getitem__(self, device: str) -> Driver:
        return self._drivers[device]

    def __iter__(self) -> Iterator[str]:
        return iter(self._drivers)

    def __len__(self) -> int:
        return len(self._drivers)

    @property
    def assumed(self) -> tuple[str, ...]:
        """What was taken for granted where a plate says nothing."""
        return self._assumed

    @property
    def leaps(self) -> bool:
        """Whether the plant leaps over time in which nothing but temperatures changes."""
        return self.bench.plant.leaps

    @leaps.setter
    def leaps(self, on: bool) -> None:
        self.bench.plant.leaps = on

    def press(self, button: str) -> None:
        """A person presses a button of the safety chain, by its name in `Button`; nothing where that has no effect.

        Raises `ValueError` for a button that it does not have.
        """
        self.bench.advance()
        with contextlib.suppress(ResetRefusedError):
            self.bench.safety_chain.press(Button(button))

    def dwell(self, seconds: float) -> Dwelt:
        """Go on as commanded in long steps, ahead of the loop's time; see the contract."""
        return self.bench.dwell(seconds)

    def truth(self) -> Mapping[str, float]:
        """The plant's true values now."""
        self.bench.advance()
        return dataclasses.asdict(self.bench.plant.truth())
