"""The files that come with benchd are found in a wheel and in a checkout."""

from pathlib import Path

import pytest

from benchd.settings.load import SettingsError
from benchd.settings.places import FOLDERS, configs_directory, settings_file


def test_this_installation_has_its_configs() -> None:
    place = configs_directory()
    assert {one.name for one in place.iterdir()} >= set(FOLDERS)


def test_a_wheel_keeps_them_inside_the_package(tmp_path: Path) -> None:
    package = tmp_path / "site-packages/benchd"
    (package / "configs/benches").mkdir(parents=True)
    (package.parent / "configs/benches").mkdir(parents=True)  # somebody else's
    (package.parent / "pyproject.toml").touch()
    assert configs_directory(package) == package / "configs"


def test_a_checkout_keeps_them_beside_the_package(tmp_path: Path) -> None:
    (tmp_path / "configs/benches").mkdir(parents=True)
    (tmp_path / "pyproject.toml").touch()
    assert configs_directory(tmp_path / "benchd") == tmp_path / "configs"


def test_a_foreign_folder_of_that_name_beside_an_installed_package_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "configs/benches").mkdir(parents=True)
    with pytest.raises(SettingsError, match=r"configs does not exist; install benchd again\."):
        configs_directory(tmp_path / "benchd")


def test_a_bare_name_means_the_file_that_comes_with_benchd() -> None:
    assert settings_file("benches", "greenhouse") == configs_directory() / "benches/greenhouse.toml"


@pytest.mark.parametrize("name", ["./greenhouse", "my/bench.toml", "bench.toml"])
def test_a_path_stays_a_path(name: str) -> None:
    assert settings_file("benches", name) == Path(name)


def test_an_unknown_bare_name_is_told_with_the_nearest() -> None:
    with pytest.raises(SettingsError, match=r"motors/vent_flap_24.toml does not exist; did you mean vent_flap_24v\?"):
        settings_file("motors", "vent_flap_24")
