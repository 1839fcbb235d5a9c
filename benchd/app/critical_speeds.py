"""Where the shaft train of a job twists by itself, and which of its speeds are to be crossed and never held.

Computed from bench, motor and set-up before anything turns. It measures nothing and judges no programme.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from benchd.live.plan import TwistPlan
from benchd.rules.resonance import Band, Order, bands, critical_rpm, excitation_orders, in_series, joined, natural_hz
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.document import Document
from benchd.settings.specimen_files import BrushlessMotorFile
from benchd.settings.torsion_file import CriticalSpeedTable

SAMPLED_TORQUE = "shaft_torque"  # the name in [waveforms]
HALF = 0.5  # a coupling counts half to either neighbour where its file does not part it


@dataclass(frozen=True, slots=True, kw_only=True)
class CriticalSpeeds:
    """The torsional natural frequencies of a job's shaft train, what shakes it, and the bands up to `top_rpm`.

    `frequencies_hz` is empty where a value is missing; `notes` say which one, with the file it belongs into.
    """

    top_rpm: float
    frequencies_hz: tuple[float, ...]
    orders: tuple[Order, ...]
    bands: tuple[Band, ...]
    notes: tuple[str, ...]

    def critical_rpm(self) -> tuple[tuple[float, Order, float], ...]:
        """Each critical speed that is not above `top_rpm`, r/min, with its order and frequency, from slow to fast."""
        found = [(critical_rpm(hz, order), order, hz) for hz in self.frequencies_hz for order in self.orders]
        return tuple(sorted((one for one in found if one[0] <= self.top_rpm), key=lambda one: one[0]))


def critical_speeds(bench: Bench, motor: Motor, setup: Setup, *, top_rpm: float) -> CriticalSpeeds:
    """The critical speeds of this motor in this set-up on this bench, up to the fastest that the run may turn.

    Two inertias (specimen, bench) on coupling and transducer in series, or three where the transducer's inertia is
    stated. Stated bands count beside computed ones, and also where nothing can be computed.
    """
    notes: list[str] = []
    frequencies_hz = tuple(_frequencies_hz(bench, motor, setup, notes))
    orders = tuple(_orders(bench, motor, notes))
    computed = (
        bands(frequencies_hz, orders, half_width_ratio=bench.torsion.half_width_ratio, top_rpm=top_rpm)
        if frequencies_hz and orders
        else ()
    )
    stated = [
        *_stated(bench.critical_speeds, bench.document),
        *_stated(setup.settings.critical_speeds, setup.document),
    ]
    return CriticalSpeeds(
        top_rpm=top_rpm,
        frequencies_hz=frequencies_hz,
        orders=orders,
        bands=joined((*computed, *(band for band in stated if band.low_rpm <= top_rpm))),
        notes=tuple(notes),
    )


def twist_of(bench: Bench, motor: Motor, found: CriticalSpeeds) -> TwistPlan | None:
    """What a run looks for in the sample stream; None where no torque is sampled or no frequency is known."""
    torque = next((one for one in bench.waveform_channels if one.name == SAMPLED_TORQUE), None)
    if torque is None or not found.frequencies_hz:
        return None
    rated_nm = motor.settings.rated.torque_nm
    return TwistPlan(
        signal=torque.signal,
        nm_per_unit=1.0 if torque.calibration is None else abs(torque.calibration.gain),
        frequencies_hz=found.frequencies_hz,
        half_width_ratio=bench.torsion.half_width_ratio,
        warn_nm=bench.torsion.warn_torque_ratio * rated_nm,
        rated_nm=rated_nm,
        orders=(*_known(motor).values(), *_further(bench)),
    )


def told(found: CriticalSpeeds) -> Iterator[str]:
    """Sentences for who checks a job: natural frequencies, critical speeds, bands, and what is missing for them."""
    if found.frequencies_hz:
        listed = " and ".join(f"{hz:.1f} Hz" for hz in found.frequencies_hz)
        yield f"Computed torsional natural frequencies of the shaft train: {listed} (undamped)."
        critical = [
            f"{rpm:.0f} r/min ({order.name}, {order.per_revolution:g} a revolution, at {hz:.1f} Hz)"
            for rpm, order, hz in found.critical_rpm()
        ]
        shaking = ", ".join(f"{order.name} ({order.per_revolution:g})" for order in found.orders)
        yield (
            f"Critical speeds up to {found.top_rpm:g} r/min: {'; '.join(critical) or 'none'}. "
            f"Reckoned with, in times a revolution: {shaking or 'nothing'}."
        )
    for band in found.bands:
        yield f"Critical {band.words}: crossed and never held."
    yield from found.notes


def _frequencies_hz(bench: Bench, motor: Motor, setup: Setup, notes: list[str]) -> Iterable[float]:
    train, coupling = bench.shaft_train, setup.settings.coupling
    if train.transducer_stiffness_nm_per_rad is None:
        notes.append(
            f"{bench.document.origin(('shaft_train',))} does not state transducer_stiffness_nm_per_rad: no torsional "
            "natural frequency is computed."
        )
        return ()
    part = coupling.specimen_side_inertia_kgm2
    near = HALF * coupling.inertia_kgm2 if part is None else part
    specimen = motor.settings.data_sheet.inertia_kgm2 + near
    beyond = coupling.inertia_kgm2 - near  # may be nothing
    springs = (coupling.stiffness_nm_per_rad, train.transducer_stiffness_nm_per_rad)
    if train.transducer_inertia_kgm2 is None:
        notes.append(
            f"{bench.document.origin(('shaft_train',))} does not state transducer_inertia_kgm2: the transducer is "
            "taken for a spring without inertia."
        )
        return natural_hz((specimen, train.inertia_kgm2 + beyond), (in_series(*springs),))
    transducer = train.transducer_inertia_kgm2
    return natural_hz((specimen, transducer + beyond, train.inertia_kgm2 - transducer), springs)


def _orders(bench: Bench, motor: Motor, notes: list[str]) -> Iterable[Order]:
    """The orders that the bench file names, as far as this motor has them, and its further ones."""
    brushless = isinstance(motor.settings, BrushlessMotorFile)
    known = _known(motor)
    for name in dict.fromkeys(bench.torsion.orders):
        if name in known:
            yield known[name]
        elif brushless:
            notes.append(f"{motor.document.origin(('kind',))} states no slots: {name} is not reckoned with.")
        else:
            notes.append(
                f"{bench.document.origin(('torsion', 'orders'))} names {name}, which a brushed motor's file does not "
                "tell: it is not reckoned with; state its number in further_orders."
            )
    yield from _further(bench)


def _known(motor: Motor) -> dict[str, Order]:
    settings = motor.settings
    brushless = settings if isinstance(settings, BrushlessMotorFile) else None
    found = (
        excitation_orders()
        if brushless is None
        else excitation_orders(pole_pairs=brushless.pole_pairs, slots=brushless.slots)
    )
    return {order.name: order for order in found}


def _further(bench: Bench) -> Iterator[Order]:
    return (Order("stated order", order) for order in dict.fromkeys(bench.torsion.further_orders))


def _stated(tables: Iterable[CriticalSpeedTable], document: Document) -> Iterator[Band]:
    for place, table in enumerate(tables):
        why = f"{table.why} ({document.origin(('critical_speeds', place))})"
        yield Band(low_rpm=table.low_rpm, high_rpm=table.high_rpm, causes=(why,))
