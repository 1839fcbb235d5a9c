"""Which tuning holds for a motor on a bench in a set-up, and why one that is there does not. It tunes nothing."""

import datetime as dt
import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd.rules.loops import Loop
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.errors import shown
from benchd.settings.tuning_file import Tuning, load_tuning, newest_tuning


@dataclass(frozen=True, slots=True, kw_only=True)
class TunedLoops:
    """The loops of the newest tuning, none where it does not hold; `warning` then says why in one sentence.

    `note` is for whoever checks: what is used, or that there is nothing.
    """

    loops: tuple[Loop, ...] = ()
    used: Tuning | None = None
    sha256: str = ""  # of the file that is used
    warning: str = ""
    note: str = ""

    def described(self) -> dict[str, Any] | None:
        """What a run's description says of it; None where devices' own loops are all."""
        if self.used is None:
            return None
        settings = self.used.settings
        return {
            "file": self.used.file.name,
            "sha256": self.sha256,
            "made_utc": f"{settings.made_utc.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ}",
            "made_by": settings.made_by,
            "software": settings.software,
            "loops": [one.model_dump(mode="json") for one in settings.loop],
        }


def tuned_loops(bench: Bench, motor: Motor, setup: Setup, *, on: dt.date) -> TunedLoops:
    """What holds on this day. Raises `SettingsError` for a tuning file that cannot be read."""
    motor_type = motor.settings.type_designation
    file = newest_tuning(bench.data_directory, bench.name, motor_type)
    command = f"benchd tune {bench.name} {motor.document.file.stem} {setup.document.file.stem}"
    again = f"{command} makes a new one"
    if file is None:
        return TunedLoops(
            note=f"No outer loops are tuned for {motor_type} on {bench.name}: there are the devices' own alone until "
            f"{command} finds some."
        )
    tuning = load_tuning(file)
    stated = tuning.settings.sources
    for what, document, known in (
        ("bench file", bench.document, stated.bench),
        ("set-up file", setup.document, stated.setup),
        ("motor file", motor.document, stated.motor),
    ):
        if sha256_of(document.file) != known:
            return TunedLoops(
                warning=f"The tuning {shown(file)} is not used: the {what} {shown(document.file)} was changed since it "
                f"was made; {again}."
            )
    age_days = (on - tuning.settings.made_utc.astimezone(dt.UTC).date()).days
    if age_days > bench.tuning.max_age_days:
        return TunedLoops(
            warning=f"The tuning {shown(file)} is not used: it is {age_days} days old, more than the "
            f"{bench.tuning.max_age_days:g} days that {bench.document.origin(('tuning', 'max_age_days'))} allows; "
            f"{again}."
        )
    held = ", ".join(f"{one.channel} by the {one.role.value.replace('_', ' ')}" for one in tuning.loops)
    return TunedLoops(
        loops=tuning.loops, used=tuning, sha256=sha256_of(file), note=f"Outer loops by {shown(file)}: {held}."
    )


def sha256_of(file: Path) -> str:
    """The SHA-256 of a file's bytes, "" where it cannot be read."""
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError:
        return ""
