"""Finds the settings files that come with benchd, in a wheel and in a checkout alike. It must never read them."""

from pathlib import Path

from benchd.settings.errors import unreadable
from benchd.settings.explain import nearest

FOLDERS = ("benches", "motors", "setups", "programmes", "sensors")
_PACKAGE = Path(__file__).resolve().parent.parent


def configs_directory(package: Path = _PACKAGE) -> Path:
    """The folder `configs`: inside the installed package, or beside it in a checkout.

    Raises `SettingsError` where neither is there, as after an incomplete installation.
    """
    packaged = package / "configs"
    beside = package.parent / "configs"
    if (packaged / "benches").is_dir():
        return packaged
    # site-packages may hold anybody's folder of that name: beside the package it counts in a checkout only
    if (beside / "benches").is_dir() and (package.parent / "pyproject.toml").is_file():
        return beside
    raise unreadable(packaged, "does not exist; install benchd again")


def settings_file(folder: str, name: str, *, package: Path = _PACKAGE) -> Path:
    """The file that a person means by `name`: a path, or the bare name of one that comes with benchd.

    A name with a slash or ending in .toml is a path and returned as it is; whether it exists is told when it is read.
    Raises `SettingsError` for an unknown bare name, with the nearest known one.
    """
    if "/" in name or name.endswith(".toml"):
        return Path(name)
    place = configs_directory(package) / folder
    file = place / f"{name}.toml"
    if not file.is_file():
        known = [one.stem for one in place.glob("*.toml")]
        raise unreadable(file, f"does not exist; {nearest(name, known)}")
    return file
