"""What a bench file says of its drives' parameters: the tables, and whether the drives' drivers can tell them.

A bench file states what was commissioned; whether a drive still holds it is found out before each enabling, elsewhere.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated

from pydantic import ConfigDict, Field

from benchd.rules.parameter_set import sha256_of
from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.explain import nearest
from benchd.settings.pieces import Table
from benchd.settings.toml_lines import KeyPath

TABLE = "drive_parameters"
HASH = "parameters_sha256"


class ExpectedParameters(Table):
    """A drive's parameters: values under the names that its driver tells, the SHA-256 of the whole set, or both."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True, allow_inf_nan=False)
    __pydantic_extra__: dict[str, float]

    parameters_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None

    @property
    def values(self) -> Mapping[str, float]:
        """Expected values by name, in the order of the file."""
        return dict(self.__pydantic_extra__)


class DriveParametersTable(Table):
    """The drives' parameters by the role that each drive plays."""

    load_drive: ExpectedParameters | None = None
    motor_drive: ExpectedParameters | None = None

    def by_role(self) -> Mapping[str, ExpectedParameters]:
        """What is stated, by role."""
        stated = {"load_drive": self.load_drive, "motor_drive": self.motor_drive}
        return {role: expected for role, expected in stated.items() if expected is not None}


def drive_parameter_problems(
    document: Document, stated: DriveParametersTable, told: Mapping[str, tuple[str, tuple[str, ...]]]
) -> Iterator[Problem]:
    """Tables for a drive that is absent or whose driver tells nothing, unknown names, a hash of other values.

    `told` gives, for each role that a drive plays, the port and the names that its driver tells.
    """
    for role, table in stated.by_role().items():
        path: KeyPath = (TABLE, role)
        if role not in told:
            says = "is about a drive that the bench does not have in [roles]; take the table out"
            yield document.problem(path, says)
            continue
        port, names = told[role]
        if not names:
            says = f"is about {port}, whose driver tells no parameters; take the table out, or name their registers"
            yield document.problem(path, says)
            continue
        if not table.values and table.parameters_sha256 is None:
            says = f"states nothing; write values of {', '.join(names)}, or {HASH}, or take the table out"
            yield document.problem(path, says)
        unknown = [name for name in table.values if name not in names]
        for name in unknown:
            says = f"is no parameter that {port} tells; {nearest(name, (*names, HASH))}"
            yield document.problem((*path, name), says)
        if table.parameters_sha256 is not None and set(table.values) == set(names):
            own = sha256_of(table.values)
            if own != table.parameters_sha256:
                says = f"is not that of the values beside it, whose SHA-256 is {own}; correct one of them"
                yield document.problem((*path, HASH), says)
