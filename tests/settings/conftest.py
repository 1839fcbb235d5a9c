"""A small bench with all its files, and invented drivers and tests to judge them by."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import pytest
from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.contract import (
    CONTRACT_VERSION,
    Capability,
    Drive,
    Manifest,
    MeasuringUnit,
    PortSpec,
    PowerAnalyser,
    ResistanceMeter,
    SafetyChain,
    Sink,
    Supply,
    Thermometers,
    Waveforms,
)
from benchd.settings.load import Registry


class WireSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    host: str
    port: int = Field(ge=1, le=65535)
    reply_time_s: float = Field(default=0.2, gt=0.0)

    @model_validator(mode="after")
    def _not_port_7(self) -> "WireSettings":
        if self.port == 7:
            raise ValueError("port 7 only echoes: give the device's own port")
        return self


class Input(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    channel: int


class InputSettings(WireSettings):
    inputs: tuple[Input, ...] = Field(min_length=1)


class GroupSettings(WireSettings):
    registers: dict[str, int] = Field(min_length=1)


class NoLoadSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    supply_voltages_v: Annotated[tuple[Annotated[float, Field(gt=0.0)], ...], Field(min_length=2)]
    settle_time_s: float = 1.0
    average_time_s: float = 1.5


class LoadSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    supply_voltage_v: float
    torques_nm: tuple[float, ...]
    torque_slope_nm_per_s: float
    torque_range: str = "auto"
    settle_time_s: float = 1.0
    average_time_s: float = 1.5
    speed_band_rpm: float = 5.0
    capture_s: float = 0.0


def manifest(name: str, settings: type[BaseModel], port: str, capability: Capability, *signals: str) -> Manifest:
    def ports(given: BaseModel) -> Sequence[PortSpec]:
        found = signals
        if isinstance(given, InputSettings):
            found = tuple(one.name for one in given.inputs)
        elif isinstance(given, GroupSettings):
            found = tuple(f"{one}_degc" for one in given.registers)
        return (PortSpec(name=port, capability=capability, signals=found),)

    return Manifest(
        name=name,
        contract_version=CONTRACT_VERSION,
        summary=name,
        settings=settings,
        ports=ports,
        driver="nowhere:nothing",
        reply_time_s=0.4,
        safe_time_s=1.0,
    )


@pytest.fixture(scope="session")
def registry() -> Registry:
    manifests = (
        manifest("made_supply", WireSettings, "output", Supply, "voltage_v", "current_a", "output_on"),
        manifest("made_sink", WireSettings, "input", Sink, "voltage_v", "current_a"),
        manifest("made_drive", WireSettings, "axis", Drive, "speed_rpm", "torque_nm"),
        manifest("made_unit", InputSettings, "inputs", MeasuringUnit),
        manifest("made_group", GroupSettings, "group", Thermometers),
        manifest("made_chain", WireSettings, "chain", SafetyChain, "permit_on"),
        manifest("made_analyser", WireSettings, "result", PowerAnalyser, "i_a", "p_w", "power_factor"),
        manifest("made_meter", WireSettings, "winding", ResistanceMeter, "voltage_v", "current_a"),
        manifest("made_stream", InputSettings, "waveforms", Waveforms),
    )
    return Registry(
        drivers={one.name: one for one in manifests}, tests={"no_load": NoLoadSettings, "load": LoadSettings}
    )


BENCH = """\
schema = 1
name = "small"
data_directory = "data"
[tick]
rate_hz = 100
[devices.feed]
driver = "made_supply"
poll_hz = 20
[devices.feed.settings]
host = "10.0.0.1"
port = 5025
[devices.eater]
driver = "made_sink"
poll_hz = 20
settings = { host = "10.0.0.2", port = 5025 }
[devices.brake]
driver = "made_drive"
poll_hz = 50
settings = { host = "10.0.0.3", port = 502 }
[devices.unit]
driver = "made_unit"
poll_hz = 100
[devices.unit.settings]
host = "10.0.0.4"
port = 5025
inputs = [
    { name = "ai1_v", channel = 1 },
    { name = "ai2_v", channel = 2 },
    { name = "ai3_v", channel = 3 },
    { name = "encoder_rpm", channel = 5 },
]
[devices.warmth]
driver = "made_group"
poll_hz = 5
settings = { host = "10.0.0.5", port = 502, registers = { winding = 0, rack = 1 } }
[devices.chain]
driver = "made_chain"
poll_hz = 20
settings = { host = "10.0.0.6", port = 502 }
[roles]
supply = "feed.output"
sink = "eater.input"
load_drive = "brake.axis"
measuring_unit = "unit.inputs"
thermometers = ["warmth.group"]
safety_chain = "chain.chain"
[channels.link_voltage]
source = "unit.inputs.ai1_v"
unit = "V"
sensor = "../sensors/divider.toml"
age_limit_s = 0.1
[channels.dc_current]
source = "unit.inputs.ai2_v"
unit = "A"
sensor = "../sensors/current.toml"
age_limit_s = 0.1
sign = -1
[channels.shaft_torque]
source = "unit.inputs.ai3_v"
unit = "N·m"
sensor = "../sensors/torque.toml"
age_limit_s = 0.1
zeroed = true
[channels.shaft_speed]
source = "unit.inputs.encoder_rpm"
unit = "r/min"
age_limit_s = 0.1
[channels.winding_temperature]
source = "warmth.group.winding_degc"
unit = "°C"
age_limit_s = 2
[[limits]]
channel = "shaft_speed"
low = -5000
high = 5000
warn_low = -4500
warn_high = 4500
delay_s = 0.02
reaction = "cut"
stale = true
[[limits]]
channel = "dc_current"
warn_high = 12
reaction = "hold"
[dc_link]
component_rating_v = 50
capacitance_f = 2.2e-3
sink_threshold_v = 30
sink_current_limit_a = 20
over_voltage_protection_v = 36
supply_takes_current_back = false
blocking_diode = true
[shaft_train]
max_speed_rpm = 8000
max_torque_nm = 2.5
inertia_kgm2 = 2e-4
[start]
remote_required = true
pre_start_warning_s = 2
transducer_zero_limit_nm = 0.02
zero_time_s = 1
[slopes]
voltage_v_per_s = 12
torque_nm_per_s = 1
speed_rpm_per_s = 2000
[stopping]
standstill_rpm = 10
braking_torque_nm = 0.3
controlled_stop_time_s = 5
coasting_time_s = 15
"""

MOTOR = """\
schema = 1
kind = "brushed_dc"
type_designation = "LK24-80"
manufacturer = "Farnholt Kleinmotoren"
thermal_class = "B"
max_speed_rpm = 6500
max_current_a = 10
max_winding_degc = 120
[rated]
voltage_v = 24
current_a = 4.2
speed_rpm = 3000
torque_nm = 0.25
power_w = 78.5
[data_sheet]
resistance_ohm = 0.8
ke_v_s = 0.065
inertia_kgm2 = 1.1e-4
"""

SETUP = """\
schema = 1
adapter = "flange"
fuse_current_a = 16
[coupling]
max_torque_nm = 1.5
max_speed_rpm = 10000
stiffness_nm_per_rad = 700
inertia_kgm2 = 4e-6
[cable]
resistance_ohm = 0.03
"""

PROGRAMME = """\
schema = 1
name = "acceptance"
[[test]]
kind = "no_load"
supply_voltages_v = [12, 24]
[[test]]
kind = "load"
supply_voltage_v = 24
torques_nm = [0.1, 0.2]
torque_slope_nm_per_s = 0.1
[[limits]]
channel = "shaft_speed"
high = 4000
delay_s = 0.02
reaction = "cut"
"""


def sensor(serial: str, output_unit: str, gain: float, full_scale: float) -> str:
    return f"""\
schema = 1
sensor = "made sensor"
serial = "{serial}"
certificate = "C-1"
calibrated_on = 2026-03-11
due_on = 2028-03-31
input_unit = "V"
output_unit = "{output_unit}"
gain = {gain}
offset = 0.0
full_scale = {full_scale}
[[contributions]]
name = "gain"
size = 0.0003
distribution = "normal"
relative_to = "reading"
effect = "gain"
[[contributions]]
name = "linearity"
size = 0.001
distribution = "rectangular"
relative_to = "full_scale"
effect = "independent"
degrees_of_freedom = 12
"""


@dataclass(frozen=True)
class Site:
    """The files of a small site; `change` replaces a text that stands in a file exactly once."""

    root: Path

    @property
    def bench(self) -> Path:
        return self.root / "benches/small.toml"

    @property
    def motor(self) -> Path:
        return self.root / "motors/flap.toml"

    @property
    def setup(self) -> Path:
        return self.root / "setups/flap.toml"

    @property
    def programme(self) -> Path:
        return self.root / "programmes/acceptance.toml"

    def sensor(self, name: str) -> Path:
        return self.root / f"sensors/{name}.toml"

    def change(self, file: Path, old: str, new: str) -> None:
        text = file.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file.name}"
        file.write_text(text.replace(old, new), encoding="utf-8")

    def add(self, file: Path, tables: str) -> None:
        file.write_text(file.read_text(encoding="utf-8") + tables, encoding="utf-8")


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Site:
    here = Site(tmp_path)
    for file, text in (
        (here.bench, BENCH),
        (here.motor, MOTOR),
        (here.setup, SETUP),
        (here.programme, PROGRAMME),
        (here.sensor("divider"), sensor("VD-1", "V", 10.0, 100.0)),
        (here.sensor("current"), sensor("CS-1", "A", 10.0, 100.0)),
        (here.sensor("torque"), sensor("TT-1", "N·m", 0.2, 2.0)),
    ):
        file.parent.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return here
