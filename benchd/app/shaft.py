"""What turns on the shaft in a run, from the files: for predicting how long it coasts. It measures nothing."""

from benchd.rules.coasting import ShaftTrain
from benchd.settings.bench import Bench, Motor, Setup


def shaft_of(bench: Bench, motor: Motor, setup: Setup) -> ShaftTrain:
    """Inertia of specimen, coupling and bench together; a friction counts only where both machines' are stated."""
    sheet, train = motor.settings.data_sheet, bench.shaft_train

    def together(one: float | None, other: float | None) -> float | None:
        return None if one is None or other is None else one + other

    return ShaftTrain(
        inertia_kgm2=sheet.inertia_kgm2 + setup.settings.coupling.inertia_kgm2 + train.inertia_kgm2,
        dry_friction_nm=together(sheet.dry_friction_nm, train.dry_friction_nm),
        viscous_friction_nm_s=together(sheet.viscous_friction_nm_s, train.viscous_friction_nm_s),
    )
