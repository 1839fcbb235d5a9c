"""Plans a manual session: a run whose one test is fed by hand, under the limits of every run. It turns nothing."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace

from pydantic import BaseModel

from benchd.app.wiring import Job, PlannedRun, Unfit, bench_plan, plan_run
from benchd.live.manual import ManualDesk, Patience, facts_of
from benchd.procedures.manual import MANUAL
from benchd.rules.by_hand import End, What
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.manual_programme import HandLimits, manual_programme
from benchd.settings.specimen_files import BrushlessMotorFile

JOG_SHARE = 0.1  # of the rated speed: slow beside every speed that a motor is made for
OPTIONS = "--max-speed, --max-torque, --max-voltage or --max-current"


def plan_manual(
    bench: Bench,
    motor: Motor,
    setup: Setup,
    asked: HandLimits,
    *,
    order: str,
    serial: str,
    operator: str,
    on: dt.date | None = None,
) -> PlannedRun:
    """The manual session of this motor in this set-up on this bench. Raises as `plan_run`."""
    programme = manual_programme(bench, motor, setup, asked, MANUAL.settings)
    job = Job(programme=programme, motor=motor, setup=setup, order=order, serial=serial, operator=operator)
    try:
        planned = plan_run(bench, job, on=on)
    except Unfit as error:
        raise Unfit(
            f"{error} A manual session asks for the rating plate's values unless {OPTIONS} says less."
        ) from error
    table = bench.manual
    fastest_rpm = table.jog_speed_rpm or JOG_SHARE * motor.settings.rated.speed_rpm
    live = bench_plan(bench)
    desk = ManualDesk(
        facts_of(planned.plan, live, jog_limit_rpm=fastest_rpm, most=_most(motor, asked, planned.tests[0].settings)),
        planned.plan,
        Patience(keep_alive_s=table.keep_alive_s, jog_alive_s=table.jog_alive_s),
        standstill_rpm=live.stopping.standstill_rpm,
    )
    return replace(planned, desk=desk, tests=tuple(replace(test, desk=desk) for test in planned.tests))


def _most(motor: Motor, asked: HandLimits, settings: BaseModel) -> Mapping[What, End]:
    """How far the hand may go, and what says so: this session's choice, else the rating plate."""
    current = "dc_current_a" if isinstance(motor.settings, BrushlessMotorFile) else "current_a"
    chosen = "this session's choice"
    return {
        what: End(
            float(getattr(settings, name)),
            motor.document.origin(("rated", rated)) if given is None else chosen,
        )
        for what, name, rated, given in (
            (What.SPEED, "max_speed_rpm", "speed_rpm", asked.max_speed_rpm),
            (What.TORQUE, "max_torque_nm", "torque_nm", asked.max_torque_nm),
            (What.VOLTAGE, "supply_voltage_v", "voltage_v", asked.max_voltage_v),
            (What.CURRENT, "max_current_a", current, asked.max_current_a),
        )
    }
