"""Motor files: a type of motor, judged by itself. It must never look at the bench that turns it."""

from pathlib import Path

from pydantic import ValidationError

from benchd.settings.bench import Motor
from benchd.settings.document import Document, read_document
from benchd.settings.errors import Problem, refuse
from benchd.settings.explain import problems_in
from benchd.settings.specimen_files import (
    MOTOR_FILES,
    RAD_S_PER_RPM,
    BrushedMotorFile,
    BrushlessMotorFile,
    MotorFile,
)


def load_motor(path: Path) -> Motor:
    """The motor type in this file. Raises `SettingsError`."""
    document = read_document(path)
    motor = _file(document)
    problems = _bound_problems(motor, document)
    if isinstance(motor, BrushlessMotorFile):
        problems += _brushless_problems(motor, document)
    else:
        problems += _brushed_problems(motor, document)
    if problems:
        refuse(path, problems)
    return Motor(settings=motor, warnings=_warnings(motor, document), document=document)


def _file(document: Document) -> MotorFile:
    """The file by the model of its kind; a file without a known kind is told so alone."""
    kind = document.data.get("kind")
    known = " or ".join(f'"{name}"' for name in MOTOR_FILES)
    if kind is None:
        refuse(document.file, [document.problem(("kind",), f"is missing; add it above the first table: {known}")])
    model = MOTOR_FILES.get(kind) if isinstance(kind, str) else None
    if model is None:
        told = f'the text "{kind}"' if isinstance(kind, str) else "this value"
        says = f"must be {known}, not {told}; write what is meant"
        refuse(document.file, [document.problem(("kind",), says)])
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        refuse(document.file, problems_in(error, model, document))


def _bound_problems(motor: MotorFile, document: Document) -> list[Problem]:
    """Bounds below what the plate says is everyday."""
    bounds: list[tuple[str, float | None, str, float, str]] = [
        ("max_speed_rpm", motor.max_speed_rpm, "speed_rpm", motor.rated.speed_rpm, "r/min"),
    ]
    if isinstance(motor, BrushlessMotorFile):
        bounds += [
            ("max_current_a", motor.max_current_a, "dc_current_a", motor.rated.dc_current_a, "A"),
            ("max_phase_current_a", motor.max_phase_current_a, "phase_current_a", motor.rated.phase_current_a, "A"),
        ]
    else:
        bounds.append(("max_current_a", motor.max_current_a, "current_a", motor.rated.current_a, "A"))
    return [
        document.problem(
            (key,), f"is {most:g} {unit}, less than the rated {name}, which is {rated:g} {unit}; correct one of them"
        )
        for key, most, name, rated, unit in bounds
        if most is not None and most < rated
    ]


def _brushed_problems(motor: BrushedMotorFile, document: Document) -> list[Problem]:
    """Numbers of a plate that no motor has, which is what a wrong unit looks like; the bounds are common practice."""
    rated, sheet = motor.rated, motor.data_sheet
    idle_rpm = rated.voltage_v / sheet.ke_v_s / RAD_S_PER_RPM
    stall_a = rated.voltage_v / sheet.resistance_ohm
    problems = []
    if not 0.3 * idle_rpm <= rated.speed_rpm <= 1.05 * idle_rpm:
        says = (
            f"is {sheet.ke_v_s:g}, with which {rated.voltage_v:g} V give {idle_rpm:.4g} r/min without load where the "
            f"rated speed is {rated.speed_rpm:g} r/min; write V·s/rad (V per 1000 r/min times 0.00955) and r/min"
        )
        problems.append(document.problem(("data_sheet", "ke_v_s"), says))
    if not problems and not 0.3 <= rated.torque_nm / (sheet.ke_v_s * rated.current_a) <= 1.1:
        says = (
            f"is {rated.torque_nm:g} N·m, but {rated.current_a:g} A times ke_v_s make "
            f"{sheet.ke_v_s * rated.current_a:.4g} N·m before friction; correct the one that is wrong"
        )
        problems.append(document.problem(("rated", "torque_nm"), says))
    if stall_a <= rated.current_a:
        says = (
            f"is {sheet.resistance_ohm:g} Ω, which lets only {stall_a:.4g} A through at {rated.voltage_v:g} V where "
            f"the rated current is {rated.current_a:g} A; write ohms between the terminals"
        )
        problems.append(document.problem(("data_sheet", "resistance_ohm"), says))
    return problems


def _brushless_problems(motor: BrushlessMotorFile, document: Document) -> list[Problem]:
    """The same for a brushless motor.

    A link can hardly feed a motor whose peak line-to-line voltage at rated speed is far above it. Torque per ampere of
    a phase is √3 times the line-to-line rms voltage per rad/s, more with the reluctance of a salient rotor (closed
    form). The bounds are common practice.
    """
    rated, sheet = motor.rated, motor.data_sheet
    peak_v = sheet.peak_voltage_v(rated.speed_rpm)
    magnet_nm = 3.0**0.5 * sheet.ke_v_s * rated.phase_current_a
    copper_w = 1.5 * sheet.resistance_ohm * rated.phase_current_a**2
    input_w = rated.voltage_v * rated.dc_current_a
    problems = []
    if not 0.2 * rated.voltage_v <= peak_v <= 1.5 * rated.voltage_v:
        says = (
            f"is {sheet.voltage_constant_v_per_krpm:g}, which makes {peak_v:.4g} V at the rated "
            f"{rated.speed_rpm:g} r/min (peak, line to line) on a link of {rated.voltage_v:g} V; write V rms line to "
            "line per 1000 r/min, and r/min"
        )
        problems.append(document.problem(("data_sheet", "voltage_constant_v_per_krpm"), says))
    if not problems and not 0.3 <= rated.torque_nm / magnet_nm <= 1.6:
        says = (
            f"is {rated.torque_nm:g} N·m, but {rated.phase_current_a:g} A a phase and the voltage constant make "
            f"{magnet_nm:.4g} N·m; correct the one that is wrong"
        )
        problems.append(document.problem(("rated", "torque_nm"), says))
    if not 0.3 * input_w <= rated.power_w <= input_w:
        says = (
            f"is {rated.dc_current_a:g} A, which makes {input_w:.4g} W at {rated.voltage_v:g} V for "
            f"{rated.power_w:g} W at the shaft; write the DC current into the converter"
        )
        problems.append(document.problem(("rated", "dc_current_a"), says))
    if copper_w >= rated.power_w:
        says = (
            f"is {sheet.resistance_ohm:g} Ω, in which {rated.phase_current_a:g} A a phase lose {copper_w:.4g} W of "
            f"{rated.power_w:g} W; write ohms between two terminals"
        )
        problems.append(document.problem(("data_sheet", "resistance_ohm"), says))
    return problems


def _warnings(motor: MotorFile, document: Document) -> tuple[str, ...]:
    shaft_power_w = motor.rated.torque_nm * motor.rated.speed_rpm * RAD_S_PER_RPM
    if abs(motor.rated.power_w - shaft_power_w) <= 0.05 * shaft_power_w:
        return ()
    sentence = (
        f"{document.origin(('rated', 'power_w'))} {motor.rated.power_w:g} W differs from torque times speed "
        f"({shaft_power_w:.4g} W) by more than 5 %; compare with the rating plate."
    )
    return (sentence,)
