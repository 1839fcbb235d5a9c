"""How long a shaft takes to come to rest by itself. Pure; it predicts from what files state and promises nothing."""

import math
from dataclasses import dataclass

RAD_S_PER_RPM = math.pi / 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftTrain:
    """Everything that turns together, and what slows it: dry friction and friction in proportion to speed.

    A friction that nobody has stated is None; one stated as 0 is none.
    """

    inertia_kgm2: float
    dry_friction_nm: float | None = None
    viscous_friction_nm_s: float | None = None  # N·m per rad/s


def coasting_time_s(train: ShaftTrain, *, from_rpm: float, to_rpm: float = 0.0) -> float | None:
    """The time from one speed to a lower one without any machine's torque, s; infinite where nothing slows it.

    None where a friction is not known. From J·dω/dt = −(Tc + b·ω): t = (J/b)·ln((Tc + b·ω0)/(Tc + b·ω1)), which to
    standstill is (J/b)·ln(1 + b·ω0/Tc), and J·(ω0 − ω1)/Tc where b is 0. Signs of the speeds do not count.
    """
    dry_nm, viscous = train.dry_friction_nm, train.viscous_friction_nm_s
    if dry_nm is None or viscous is None or math.isnan(from_rpm):
        return None
    began, ended = abs(from_rpm) * RAD_S_PER_RPM, abs(to_rpm) * RAD_S_PER_RPM
    if began <= ended:
        return 0.0
    last_nm = dry_nm + viscous * ended
    if last_nm <= 0.0:
        return math.inf
    gained = viscous * (began - ended) / last_nm
    # log1p: a friction that hardly depends on speed must not drown in the logarithm's last digits
    scale_s = train.inertia_kgm2 * (began - ended) / last_nm
    return scale_s * (math.log1p(gained) / gained if gained > 0.0 else 1.0)
