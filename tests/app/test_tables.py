"""What is printed fits a terminal of 80 columns, keeps every place whole, and is the same through a pipe."""

from dataclasses import replace

import pytest

from benchd.app import tables
from benchd.app.discovery import Found
from benchd.rules.channels import Channel
from benchd.rules.derivations import Derivation, Difference, RunTime
from benchd.rules.limits import Bound, Limit, Reaction


def limit(channel: str, value: float, origin: str, *, bound: Bound = Bound.HIGH, delay_s: float = 0.02) -> Limit:
    return Limit(channel=channel, bound=bound, value=value, delay_s=delay_s, reaction=Reaction.RAMP_DOWN, origin=origin)


@pytest.fixture(params=[80, 120])
def columns(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setenv("COLUMNS", str(request.param))
    return request.param


def test_check_fits_the_terminal_and_breaks_no_place_in_two(typed, site, columns: int) -> None:
    said = typed("check", *site.files)
    assert (said.status, said.err) == (0, "")
    lines = said.out.splitlines()
    assert max(map(len, lines)) <= columns
    assert any(line.endswith("vent_flap_acceptance.toml:18 limits.high") for line in lines)
    assert "shaft_speed, r/min" in lines
    assert any(line.split()[:6] == ["above", "4500", "0.02", "s", "-", "cut"] for line in lines)
    assert lines[-1].startswith("The programme fits the bench and takes about ")


def test_check_through_a_pipe_has_one_line_a_limit(typed, site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    lines = typed("check", *site.files).out.splitlines()
    bounds = [line for line in lines if line.startswith(("  above ", "  below ", "  silent "))]
    assert len(bounds) >= 20
    assert all(".toml:" in line for line in bounds)


def test_check_of_a_bench_alone_says_how_much_it_holds(typed, site) -> None:
    said = typed("check", site.files[0])
    assert said.out.splitlines()[0] == "Bench greenhouse: 7 devices, 27 channels."
    assert said.out.splitlines()[1].startswith("Run folders go to /")


def test_warnings_come_first(typed, site) -> None:
    site.change("sensors/torque_2nm.toml", "due_on = 2999-12-31", "due_on = 2026-03-31")
    lines = typed("check", *site.files).out.splitlines()
    assert lines[0].startswith("Warning: sensors/torque_2nm.toml:")


def test_limits_stand_below_their_channel_with_its_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    every = [
        limit("shaft_torque", 1.9, "benches/b.toml:7 limits.high"),
        limit("shaft_torque", 0.3, "benches/b.toml:9 limits.stale", bound=Bound.STALE, delay_s=0.0),
        limit("power_ratio", 1.0, "set by hand"),
    ]
    assert tables.limits(every, {"shaft_torque": "shaft_torque, N·m", "power_ratio": "power_ratio"}).splitlines()[
        1:
    ] == [
        "shaft_torque, N·m",
        "  above 1.9     0.02 s  ramp down  b.toml:7 limits.high",
        "  silent 0.3 s  0 s     ramp down  b.toml:9 limits.stale",
        "power_ratio",
        "  above 1       0.02 s  ramp down  set by hand",
        "These files are",
        "  benches/b.toml",
    ]


def test_a_hysteresis_has_a_column_and_a_derived_channel_says_what_it_is_made_of(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "130")
    every = [
        limit("slip", -100.0, "benches/b.toml:7 limits.low", bound=Bound.LOW),
        replace(limit("slip", 100.0, "benches/b.toml:8 limits.high"), hysteresis=20.0),
        limit("run_time", 600.0, "benches/b.toml:9 limits.high"),
    ]
    rules = {"slip": Difference(of="shaft_speed", against="drive_speed"), "run_time": RunTime()}
    channels = [
        Channel(
            name=name,
            unit="s" if name == "run_time" else "r/min",
            device="derived",
            port=rule.kind,
            signal=name,
            age_limit_s=0.5,
            derivation=Derivation(rule=rule, look="it"),
        )
        for name, rule in rules.items()
    ]
    assert tables.limits(every, tables.titled(channels)).splitlines()[1:-2] == [
        "slip, r/min (difference of shaft_speed, drive_speed)",
        "  below -100  0.02 s  -   ramp down  b.toml:7 limits.low",
        "  above 100   0.02 s  20  ramp down  b.toml:8 limits.high",
        "run_time, s (run time)",
        "  above 600   0.02 s  -   ramp down  b.toml:9 limits.high",
    ]


def test_files_of_one_name_keep_their_folders() -> None:
    every = [limit("a", 1.0, "x/motors/flap.toml:1 a"), limit("a", 2.0, "x/setups/flap.toml:2 b")]
    text = tables.limits(every, {})
    assert " motors/flap.toml:1 a" in text
    assert " setups/flap.toml:2 b" in text
    twins = [limit("a", 1.0, "x/motors/flap.toml:1 a"), limit("a", 2.0, "y/motors/flap.toml:2 b")]
    text = tables.limits(twins, {})
    assert " x/motors/flap.toml:1 a" in text
    assert " y/motors/flap.toml:2 b" in text


def quantity(name: str, value: float | None, expanded: float | None = None, unit: str = "V") -> dict:
    given = {"name": name, "value": value, "expanded_uncertainty": expanded, "unit": unit}
    return given if value is not None else {**given, "reason": "the shaft never turned, " * 8 + "so nothing is known"}


def test_results_line_up_and_reasons_stand_below(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    test = {
        "kind": "no_load",
        "index": 0,
        "notes": ["The point was averaged " + "all the same, " * 8],
        "quantities": [
            quantity("no_load_speed", 3456.78, 12.3, "r/min"),
            quantity("voltage_constant", 0.0647123, 0.00016, "V·s"),
            quantity("friction_torque_coulomb", None),
            quantity("hidden_detail", 1.0, 0.1),
        ],
    }
    text = tables.results({"notes": [], "tests": {"no_load": test}}, everything=False)
    lines = text.splitlines()
    assert lines[:5] == [
        "no-load test",
        "  quantity                   value  ± U (95 %)  unit",
        "  no-load speed               3457          12  r/min",
        "  voltage constant         0.06471     0.00016  V·s",
        "  Coulomb friction torque        -",
    ]
    assert lines[5].startswith("      not determined: the shaft never turned")
    assert lines[6].startswith("      the shaft never turned") or lines[6].startswith("      never turned")
    assert max(map(len, lines)) <= 80
    assert "Note: no-load: The point was averaged" in text
    assert "hidden detail" not in text
    assert "hidden detail" in tables.results({"notes": [], "tests": {"no_load": test}}, everything=True)


def test_a_run_without_tests_says_so() -> None:
    assert tables.results({"notes": [], "tests": {}}, everything=False) == "The run holds no tests."


@pytest.mark.parametrize(
    ("value", "expanded", "shown"),
    [  # two significant digits of the uncertainty: JCGM 100, 7.2.6 (value from memory)
        (3456.78, 12.3, ("3457", "12")),
        (0.0647123, 0.00016, ("0.06471", "0.00016")),
        (1.0, 0.0996, ("1.000", "0.100")),
        (25000.0, 312.0, ("25000", "312")),
        (-0.5, 0.02, ("-0.500", "0.020")),
        (-1.4e-5, 0.0012, ("0.0000", "0.0012")),
        (1.23456789, None, ("1.23457", "unknown")),
        (1.23456789, 0.0, ("1.23457", "unknown")),
        (1.23456789, float("inf"), ("1.23457", "unknown")),
    ],
)
def test_an_uncertainty_has_two_digits_and_the_value_ends_where_it_ends(value, expanded, shown) -> None:
    assert tables.with_uncertainty(value, expanded) == shown


def test_no_driver_at_all_is_said() -> None:
    assert tables.drivers(Found(drivers={}, broken={}, distributions={})) == "No driver is installed."


def test_drivers_fit_the_terminal(typed, columns: int) -> None:
    said = typed("drivers", "list")
    assert said.status == 0
    assert max(map(len, said.out.splitlines())) <= columns
    assert "scpi_supply" in said.out


def test_check_names_what_the_drives_must_show_and_where_the_file_is_silent(typed, site) -> None:
    said = " ".join(typed("check", site.files[0]).out.split())
    assert "Drive parameters in benches/greenhouse.toml: serve reads them back before enabling" in said
    assert "load_drive.axis: pole_pairs 4, rated_current_a 8, peak_current_a 24, pwm_frequency_hz 8000," in said
    assert "states no parameters" not in said
    file = site.root / "benches/greenhouse.toml"
    text = file.read_text(encoding="utf-8")
    begin = text.index("[drive_parameters.load_drive]")
    file.write_text(text[:begin] + text[text.index("# --- Start", begin) :], encoding="utf-8")
    said = " ".join(typed("check", site.files[0]).out.split())
    assert "Note: benches/greenhouse.toml states no parameters of load_drive.axis: they are read and recorded" in said
