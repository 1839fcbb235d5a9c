"""The programmes, motors and set-ups that a daemon knows by name: those beside its bench file, and never others.

Whoever commands from afar gives names, never paths.
"""

from dataclasses import dataclass
from pathlib import Path

from benchd.app.manual_run import plan_manual
from benchd.app.wiring import Job, PlannedRun, plan_run
from benchd.outside.commands import FileBrief, FitQuestion, KnownFiles, ManualChoice, RunChoice
from benchd.outside.topics import is_name
from benchd.settings.bench import Bench
from benchd.settings.document import read_document
from benchd.settings.errors import SettingsError
from benchd.settings.explain import nearest
from benchd.settings.load import Registry, load_motor, load_programme, load_setup
from benchd.settings.manual_programme import HandLimits

MOST_LISTED = 200


class UnknownFile(Exception):
    """There is no file of this name; one sentence with the nearest one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """The folders beside the bench file's own. Its methods read files: call them beside the event loop."""

    bench: Bench
    registry: Registry

    @property
    def directory(self) -> Path:
        """The folder that holds `benches`, `programmes`, `motors`, `setups` and `sensors`."""
        return self.bench.document.file.absolute().parent.parent

    def known(self) -> KnownFiles:
        """Every file that may be named, with its own title where it says one."""
        return KnownFiles(
            programmes=self._listed("programmes"), motors=self._listed("motors"), setups=self._listed("setups")
        )

    def plan(self, choice: RunChoice | FitQuestion) -> PlannedRun:
        """The run that was chosen, read anew and fitted to the bench.

        Raises `UnknownFile`, `SettingsError`, or `Unfit`, each in sentences for a person.
        """
        who = choice if isinstance(choice, RunChoice) else None
        job = Job(
            programme=load_programme(self._file("programmes", choice.programme), self.registry),
            motor=load_motor(self._file("motors", choice.motor)),
            setup=load_setup(self._file("setups", choice.setup)),
            order="none" if who is None else who.order,
            serial="none" if who is None else who.serial,
            operator="" if who is None else who.operator,
        )
        return plan_run(self.bench, job)

    def chosen(self, choice: RunChoice | ManualChoice) -> PlannedRun:
        """The run that was chosen, of either kind. Raises as `plan`."""
        return self.manual(choice) if isinstance(choice, ManualChoice) else self.plan(choice)

    def manual(self, choice: ManualChoice) -> PlannedRun:
        """The manual session that was chosen. Raises as `plan`."""
        return plan_manual(
            self.bench,
            load_motor(self._file("motors", choice.motor)),
            load_setup(self._file("setups", choice.setup)),
            HandLimits(
                max_speed_rpm=choice.max_speed_rpm,
                max_torque_nm=choice.max_torque_nm,
                max_voltage_v=choice.max_voltage_v,
                max_current_a=choice.max_current_a,
            ),
            order=choice.order,
            serial=choice.serial,
            operator=choice.operator,
        )

    def _names(self, folder: str) -> list[str]:
        return sorted(file.stem for file in (self.directory / folder).glob("*.toml") if is_name(file.stem))

    def _file(self, folder: str, name: str) -> Path:
        names = self._names(folder)
        if name not in names:  # also whatever tries to lead out of the folder
            raise UnknownFile(f'There is no file "{name}" in {self.directory / folder}; {nearest(name, names)}.')
        return self.directory / folder / f"{name}.toml"

    def _listed(self, folder: str) -> tuple[FileBrief, ...]:
        return tuple(
            FileBrief(name=name, title=_title(self.directory / folder / f"{name}.toml"))
            for name in self._names(folder)[:MOST_LISTED]
        )


def _title(file: Path) -> str:
    """What a file calls itself; why it cannot be used where it cannot be read."""
    try:
        data = read_document(file).data
    except SettingsError as error:
        return error.sentence
    words = (data.get(key) for key in ("title", "manufacturer", "type_designation", "name"))
    return " ".join(str(word) for word in words if isinstance(word, str) and word != file.stem)
