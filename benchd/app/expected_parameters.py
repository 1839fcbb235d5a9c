"""What drives must show before they are enabled, out of bench and motor file. It must never read a drive itself."""

from benchd.live.plan import Expected, ExpectedSet
from benchd.settings.bench import Bench, Motor
from benchd.settings.drive_parameters import HASH, TABLE
from benchd.settings.specimen_files import BrushlessMotorFile


def expected_of_role(bench: Bench, role: str) -> ExpectedSet:
    """What the bench file states of the parameters of the drive that plays this role."""
    table, origin = bench.drive_parameters[role], bench.document.origin
    return ExpectedSet(
        values=tuple(
            Expected(name=name, value=value, origin=origin((TABLE, role, name))) for name, value in table.values.items()
        ),
        sha256=table.parameters_sha256,
        sha256_origin=origin((TABLE, role, HASH)),
    )


def expected_of_specimen(motor: Motor) -> tuple[Expected, ...]:
    """What a converter must know of the specimen: with other pole pairs it turns another speed and torque."""
    settings = motor.settings
    if not isinstance(settings, BrushlessMotorFile):
        return ()
    return (Expected(name="pole_pairs", value=settings.pole_pairs, origin=motor.document.origin(("pole_pairs",))),)
