"""Bench, motor, set-up and programme that each are sound are refused where they do not fit each other."""

from typing import Any

import pytest

from benchd.settings.fit import check_fit
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor, load_programme, load_setup


def check(site: Any, registry: Registry) -> None:
    check_fit(
        load_bench(site.bench, registry),
        load_motor(site.motor),
        load_setup(site.setup),
        load_programme(site.programme, registry),
    )


def test_four_files_that_fit_pass(site: Any, registry: Registry) -> None:
    check(site, registry)


MISFITS = [
    (
        "programme",
        "supply_voltage_v = 24",
        "supply_voltage_v = 30",
        "programmes/acceptance.toml:8 test.supply_voltage_v is 30 V",
    ),
    ("programme", "[12, 24]", "[12, 31]", "programmes/acceptance.toml:5 test.supply_voltages_v item 2 is 31 V"),
    ("motor", "voltage_v = 24", "voltage_v = 48", "motors/flap.toml:10 rated.voltage_v is 48 V and must stay below 30"),
    (
        "programme",
        "[0.1, 0.2]",
        "[0.1, 1.5]",
        "test.torques_nm item 2 is 1.5, which would cross the limit 1.5 of setups",
    ),
    ("programme", "[0.1, 0.2]", "[-1.6, 0.2]", "test.torques_nm item 1 is -1.6, which would cross the limit -1.5"),
]


@pytest.mark.parametrize("misfit", MISFITS, ids=[new for _, _, new, _ in MISFITS])
def test_what_does_not_fit_is_one_sentence(site: Any, registry: Registry, misfit: tuple[str, str, str, str]) -> None:
    which, old, new, says = misfit
    site.change(getattr(site, which), old, new)
    with pytest.raises(SettingsError) as caught:
        check(site, registry)
    assert says in caught.value.sentence


def test_the_ladder_names_the_threshold_and_where_it_is_set(site: Any, registry: Registry) -> None:
    site.change(site.bench, "sink_threshold_v = 30", "sink_threshold_v = 24")
    with pytest.raises(SettingsError, match=r"24 V, the sink threshold of the bench \(benches/small.toml:88 dc_link"):
        check(site, registry)


def test_limits_that_do_not_fit_are_refused_here_too(site: Any, registry: Registry) -> None:
    site.change(site.programme, "high = 4000", "high = 9000")
    with pytest.raises(SettingsError, match="may only tighten"):
        check(site, registry)
