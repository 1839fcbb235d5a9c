"""Plans a manual session: a run whose one test is fed by hand, under the limits of every run. It turns nothing."""

import datetime as dt
from dataclasses import replace

from benchd.app.wiring import Job, PlannedRun, Unfit, bench_plan, plan_run
from benchd.live.manual import ManualDesk, Patience, facts_of
from benchd.procedures.manual import MANUAL
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.manual_programme import HandLimits, manual_programme

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
        facts_of(planned.plan, live, jog_limit_rpm=fastest_rpm),
        planned.plan,
        Patience(keep_alive_s=table.keep_alive_s, jog_alive_s=table.jog_alive_s),
        standstill_rpm=live.stopping.standstill_rpm,
    )
    return replace(planned, desk=desk, tests=tuple(replace(test, desk=desk) for test in planned.tests))
