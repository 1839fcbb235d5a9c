"""The contract: readings say their signals and units, errors are of five kinds, manifests import without hardware."""

import dataclasses
import inspect
import math
import sys
import types

import pytest
from pydantic import BaseModel

from benchd import contract
from benchd.contract import (
    CONTRACT_VERSION,
    DeviceFault,
    Drive,
    DriveReading,
    DriverError,
    DriveState,
    Energises,
    LinkLost,
    Manifest,
    MeasuringReading,
    MeasuringUnit,
    OutOfRange,
    PortSpec,
    Refused,
    ReplyWrong,
    SafetyChain,
    SafetyChainReading,
    Sink,
    SinkReading,
    StopOption,
    Supply,
    SupplyReading,
    Thermometers,
    ThermometersReading,
    unit_of_signal,
)

SUPPLY = SupplyReading(voltage_v=12.0, current_a=1.5, output_on=True, tripped=False, taken_mono_s=3.0)
SINK = SinkReading(voltage_v=12.0, current_a=1.5, input_on=False, tripped=True, taken_mono_s=3.0)
DRIVE = DriveReading(
    state=DriveState.OPERATION_ENABLED,
    speed_rpm=1500.0,
    torque_nm=-0.2,
    dc_link_v=None,
    winding_degc=45.0,
    fault_code=0,
    taken_mono_s=3.0,
)
UNIT = MeasuringReading(values={"ai1_v": 1.0, "ai3_v": math.inf}, overloaded=frozenset({"ai3_v"}), taken_mono_s=3.0)
THERMOMETERS = ThermometersReading(temperatures_degc={"winding": 40.0, "ambient": None}, taken_mono_s=3.0)
CHAIN = SafetyChainReading(
    guard_closed=True,
    estop_released=True,
    remote_selected=False,
    torque_enabled=True,
    permit=False,
    taken_mono_s=3.0,
)
READINGS = [SUPPLY, SINK, DRIVE, UNIT, THERMOMETERS, CHAIN]
NAMES = [type(reading).__name__ for reading in READINGS]

SIGNALS = {
    "SupplyReading": {"voltage_v": 12.0, "current_a": 1.5, "output_on": 1.0, "tripped_on": 0.0},
    "SinkReading": {"voltage_v": 12.0, "current_a": 1.5, "input_on": 0.0, "tripped_on": 1.0},
    "DriveReading": {
        "speed_rpm": 1500.0,
        "torque_nm": -0.2,
        "dc_link_v": math.nan,
        "winding_degc": 45.0,
        "enabled_on": 1.0,
        "fault_on": 0.0,
    },
    "MeasuringReading": {"ai1_v": 1.0, "ai3_v": math.nan},
    "ThermometersReading": {"winding_degc": 40.0, "ambient_degc": math.nan},
    "SafetyChainReading": {
        "guard_closed_on": 1.0,
        "estop_released_on": 1.0,
        "remote_selected_on": 0.0,
        "torque_enabled_on": 1.0,
        "permit_on": 0.0,
    },
}


@pytest.mark.parametrize("reading", READINGS, ids=NAMES)
def test_a_reading_tells_its_signals_missing_ones_as_nan_and_flags_as_0_or_1(reading) -> None:
    assert dict(reading.signals()) == pytest.approx(SIGNALS[type(reading).__name__], nan_ok=True)


@pytest.mark.parametrize("reading", READINGS, ids=NAMES)
def test_every_flag_of_a_reading_is_in_exactly_one_signal(reading) -> None:
    for field in dataclasses.fields(reading):
        if field.type is bool:
            turned = dataclasses.replace(reading, **{field.name: not getattr(reading, field.name)})
            before, after = reading.signals(), turned.signals()
            assert sum(before[name] != after[name] for name in before if not math.isnan(before[name])) == 1


@pytest.mark.parametrize("reading", READINGS, ids=NAMES)
def test_a_reading_is_frozen_stamped_and_every_signal_carries_a_known_unit(reading) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        reading.taken_mono_s = 4.0
    assert reading.taken_mono_s == 3.0
    for signal in reading.signals():
        assert signal.endswith("_on") or unit_of_signal(signal) != "1"


@pytest.mark.parametrize(
    ("signal", "unit"),
    [
        ("voltage_v", "V"),
        ("ai2_v", "V"),
        ("current_a", "A"),
        ("power_w", "W"),
        ("torque_nm", "N·m"),
        ("encoder_rpm", "r/min"),
        ("winding_degc", "°C"),
        ("winding_ohm", "Ω"),
        ("rate_hz", "Hz"),
        ("output_on", "1"),
        ("count", "1"),
    ],
)
def test_a_signals_unit_is_in_its_name(signal: str, unit: str) -> None:
    assert unit_of_signal(signal) == unit


@pytest.mark.parametrize("state", list(DriveState))
def test_a_drive_is_enabled_or_faulty_by_its_state_alone(state: DriveState) -> None:
    signals = dataclasses.replace(DRIVE, state=state).signals()
    assert signals["enabled_on"] == float(state is DriveState.OPERATION_ENABLED)
    assert signals["fault_on"] == float(state in {DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE})


def test_the_first_stop_options_have_the_numbers_of_the_objects() -> None:
    # objects 605Ah to 605Eh of IEC 61800-7-201; values from memory
    assert [(option.name, int(option)) for option in StopOption] == [
        ("COAST", 0),
        ("SLOW_DOWN_RAMP", 1),
        ("QUICK_STOP_RAMP", 2),
    ]


def test_there_are_five_kinds_of_error_and_none_is_another() -> None:
    kinds = [LinkLost, ReplyWrong, Refused, OutOfRange, DeviceFault]
    for kind in kinds:
        assert kind.__bases__ == (DriverError,)
        assert "Reaction:" in inspect.getdoc(kind)


CALLS = {
    Supply: {
        "read",
        "read_settings",
        "set_voltage",
        "set_over_voltage_protection",
        "switch_output",
        "clear_protection",
        "make_safe",
    },
    Sink: {"read", "read_settings", "arm", "disarm"},
    Drive: {"read", "read_limits", "enable", "disable", "follow_speed", "follow_torque", "clear_fault", "make_safe"},
    MeasuringUnit: {"read"},
    Thermometers: {"read"},
    SafetyChain: {"read", "beat", "withdraw_permit"},
}


def port_with(calls: set[str]) -> object:
    async def call(self) -> None: ...

    return types.new_class("Port", exec_body=lambda body: body.update(dict.fromkeys(calls, call)))()


@pytest.mark.parametrize("capability", list(CALLS), ids=lambda each: each.__name__)
def test_a_capability_can_be_checked_at_run_time_and_misses_nothing(capability) -> None:
    assert isinstance(port_with(CALLS[capability]), capability)
    for missing in CALLS[capability]:
        assert not isinstance(port_with(CALLS[capability] - {missing}), capability)


@pytest.mark.parametrize("capability", list(CALLS), ids=lambda each: each.__name__)
def test_what_can_energise_can_be_made_safe_and_nothing_else_claims_it(capability) -> None:
    assert isinstance(port_with(CALLS[capability]), Energises) is (capability in {Supply, Drive})


def test_the_safety_chain_can_be_asked_to_open_and_never_to_close() -> None:
    offered = {name for name in vars(SafetyChain) if not name.startswith("_")}
    assert offered == {"read", "beat", "withdraw_permit"}


@pytest.mark.parametrize(
    ("capability", "call", "bound"),
    [
        (Supply, "set_voltage", "current_limit_a"),
        (Drive, "follow_speed", "torque_limit_nm"),
        (Drive, "follow_torque", "speed_limit_rpm"),
        (Sink, "arm", "current_limit_a"),
    ],
)
def test_nothing_is_asked_of_a_machine_without_its_bound(capability, call: str, bound: str) -> None:
    parameter = inspect.signature(getattr(capability, call)).parameters[bound]
    assert parameter.kind is inspect.Parameter.KEYWORD_ONLY
    assert parameter.default is inspect.Parameter.empty


class Settings(BaseModel):
    host: str = "192.0.2.7"


class MadeUpDriver:
    def __init__(self, settings: Settings) -> None:
        self.settings = settings


def manifest(driver: str) -> Manifest:
    return Manifest(
        name="made_up",
        contract_version=CONTRACT_VERSION,
        summary="a supply that does not exist",
        settings=Settings,
        ports=lambda _settings: (PortSpec(name="output", capability=Supply, signals=("voltage_v",)),),
        driver=driver,
        reply_time_s=0.2,
        safe_time_s=0.5,
    )


@pytest.fixture
def made_up_module(monkeypatch: pytest.MonkeyPatch) -> str:
    module = types.ModuleType("made_up_driver_module")
    module.MadeUpDriver = MadeUpDriver
    monkeypatch.setitem(sys.modules, module.__name__, module)
    return module.__name__


def test_a_manifest_makes_a_driver_for_its_settings_without_entering_it(made_up_module: str) -> None:
    settings = Settings(host="192.0.2.8")
    driver = manifest(f"{made_up_module}:MadeUpDriver").make(settings)
    assert driver.settings is settings


def test_a_manifest_of_a_broken_plugin_is_made_and_fails_only_when_its_driver_is_wanted() -> None:
    broken = manifest("no_such_module_anywhere:Driver")
    assert [spec.name for spec in broken.ports(Settings())] == ["output"]
    with pytest.raises(ImportError):
        broken.make(Settings())


def test_a_driver_that_its_module_lacks_is_an_import_error_too(made_up_module: str) -> None:
    with pytest.raises(ImportError, match="MadeUpDriver2"):
        manifest(f"{made_up_module}:MadeUpDriver2").make(Settings())


def test_the_room_offers_what_it_lists_and_lists_nothing_twice() -> None:
    assert len(set(contract.__all__)) == len(contract.__all__)
    assert all(hasattr(contract, name) for name in contract.__all__)
