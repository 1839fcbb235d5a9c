"""What a run that fits its bench will ask for, as it is told outside. Values only."""

import math

from benchd.app.announcing import limit_metas
from benchd.app.wiring import PlannedRun
from benchd.outside.commands import DemandOfTest, Fits


def fits_of(planned: PlannedRun) -> Fits:
    """The tests' demands, the limits and the warnings of a planned run."""

    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return Fits(
        duration_s=planned.duration_s,
        tests=tuple(
            DemandOfTest(
                title=test.title,
                speed_rpm=finite(test.demand.speed_rpm),
                torque_nm=finite(test.demand.torque_nm),
                voltage_v=finite(test.demand.voltage_v),
                current_a=finite(test.demand.current_a),
                power_w=finite(test.demand.power_w),
                duration_s=test.demand.duration_s,
            )
            for test in planned.tests
        ),
        limits=limit_metas(planned.plan.limits),
        warnings=planned.warnings,
    )
