"""Holds what a programme asks for against the critical speeds of its job. It changes no value.

A speed that is held within a band is refused; one that nothing holds, because the supply's voltage makes it, is warned
of where data sheet and torque predict it there.
"""

import math
from collections.abc import Iterator

from benchd.app.critical_speeds import CriticalSpeeds
from benchd.rules.jog import Jog
from benchd.rules.resonance import Band, beside, dwells_in
from benchd.settings.bench import Bench, Motor, Programme, ProgrammeTest
from benchd.settings.errors import Problem, refuse
from benchd.settings.specimen_files import RAD_S_PER_RPM, BrushedMotorFile
from benchd.settings.toml_lines import KeyPath

HELD = ("speed_rpm", "speeds_rpm")  # a test that holds speeds asks for them by these names


def refuse_held(bench: Bench, programme: Programme, found: CriticalSpeeds, *, jog: Jog | None) -> None:
    """Return where no held speed lies within a band, else raise `SettingsError` with the nearest speeds outside."""
    problems = list(_held(programme, found))
    if problems:
        refuse(programme.document.file, problems)
    band = None if jog is None else dwells_in(found.bands, speed_rpm=jog.speed_rpm)
    if jog is not None and band is not None:
        stated = bench.jog.speed_rpm is not None
        path: KeyPath = ("jog", "speed_rpm") if stated else ("jog",)
        says = f"tries the shaft at {_inside(found, band, jog.speed_rpm)} as speed_rpm in [jog]"
        refuse(bench.document.file, [bench.document.problem(path, says)])


def unheld_warnings(programme: Programme, motor: Motor, found: CriticalSpeeds) -> tuple[str, ...]:
    """Sentences about points that the supply's voltage will probably bring into a band."""
    if not isinstance(motor.settings, BrushedMotorFile) or not found.bands:
        return ()
    said = []
    for place, test in enumerate(programme.tests):
        for path, voltage_v, torque_nm in _at_voltage(("test", place), test):
            speed_rpm = _predicted_rpm(motor.settings, voltage_v=voltage_v, torque_nm=torque_nm)
            band = dwells_in(found.bands, speed_rpm=speed_rpm)
            if band is not None:
                said.append(
                    f"{programme.document.origin(path)} will turn the shaft at about {speed_rpm:.0f} r/min "
                    f"({voltage_v:g} V, {torque_nm:g} N·m, by the data sheet), within the critical band "
                    f"{band.words}: nothing holds the speed there, so choose another voltage or torque, or watch the "
                    "shaft."
                )
    return tuple(said)


def _held(programme: Programme, found: CriticalSpeeds) -> Iterator[Problem]:
    for place, test in enumerate(programme.tests):
        for key in HELD:
            asked = getattr(test.settings, key, None)
            listed = isinstance(asked, (list, tuple))
            for item, speed_rpm in enumerate(asked if listed and asked is not None else (asked,)):
                if not isinstance(speed_rpm, (int, float)):
                    continue
                band = dwells_in(found.bands, speed_rpm=speed_rpm)
                if band is not None:
                    path: KeyPath = ("test", place, key, item) if listed else ("test", place, key)
                    says = f"is {_inside(found, band, float(speed_rpm))}"
                    yield programme.document.problem(path, says)


def _inside(found: CriticalSpeeds, band: Band, speed_rpm: float) -> str:
    magnitudes = beside(found.bands, speed_rpm=speed_rpm)
    nearest = [f"{math.copysign(rpm, speed_rpm):g}" for rpm in magnitudes if 0.0 < rpm <= found.top_rpm]
    instead = f"write {' or '.join(nearest)}" if nearest else "no speed outside is left below the limit"
    return f"{speed_rpm:g} r/min, within the critical band {band.words}, which is crossed and never held; {instead}"


def _at_voltage(path: KeyPath, test: ProgrammeTest) -> Iterator[tuple[KeyPath, float, float]]:
    """The points at which a voltage and a torque make the speed: where they stand, V, N·m."""
    settings = test.settings
    if getattr(settings, "speed_rpm", None) is not None or getattr(settings, "speeds_rpm", None) is not None:
        return
    for item, voltage_v in enumerate(getattr(settings, "supply_voltages_v", None) or ()):
        yield (*path, "supply_voltages_v", item), voltage_v, 0.0
    voltage_v = getattr(settings, "supply_voltage_v", None)
    if voltage_v is None:
        return
    for item, torque_nm in enumerate(getattr(settings, "torques_nm", None) or ()):
        yield (*path, "torques_nm", item), voltage_v, torque_nm
    torque_nm = getattr(settings, "torque_nm", None)
    if torque_nm is not None:
        yield (*path, "torque_nm"), voltage_v, torque_nm


def _predicted_rpm(motor: BrushedMotorFile, *, voltage_v: float, torque_nm: float) -> float:
    """What a separately excited machine turns at: (U - R·I)/ke with I = (torque and dry friction)/ke (closed form)."""
    sheet = motor.data_sheet
    current_a = (torque_nm + (sheet.dry_friction_nm or 0.0)) / sheet.ke_v_s
    return max(0.0, voltage_v - sheet.resistance_ohm * current_a) / sheet.ke_v_s / RAD_S_PER_RPM
