"""The shipped benches' derived channels: no ordinary run or stop crosses their limits, and what breaks does, in time.

In virtual time on the simulated bench, whose readings carry noise, gain errors and the lag between devices.
"""

from pathlib import Path

import pytest

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import Command, State
from benchd.settings.places import configs_directory

from .twin_bench import BRUSHED, BRUSHLESS, SHORT, Kind, OnTwin, running

PUMP = """
schema = 1
name = "short"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 2000.0
torques_nm = [0.8, 1.6]
torque_slope_nm_per_s = 1.5
settle_time_s = 0.3
average_time_s = 1.0
speed_band_rpm = 20.0
"""
PROGRAMMES = {
    "vent_flap_acceptance": BRUSHED,
    "pump_acceptance": BRUSHLESS,
    "reference_dc": Kind("greenhouse", "reference_dc_24v", "reference_dc"),
    "reference_pmsm": Kind("reference_300v", "reference_pmsm", "reference_pmsm"),
}


def derived_told(bench: OnTwin) -> list[str]:
    """Every cause, warnings included, that a derived channel gave."""
    names = {channel.name for channel in bench.live.plan.channels if channel.derivation is not None}
    told = [*bench.told("crossed"), *bench.told("warning"), *bench.told("tripped")]
    return [fields["cause"] for fields in told if fields["cause"].partition(" ")[0] in names]


@pytest.mark.parametrize("programme", PROGRAMMES)
def test_no_shipped_programme_crosses_a_limit_on_a_derived_channel(tmp_path: Path, programme: str) -> None:
    async def story() -> None:
        text = (configs_directory() / "programmes" / f"{programme}.toml").read_text(encoding="utf-8")
        async with running(tmp_path, programme=text, kind=PROGRAMMES[programme], seed=3) as bench:
            await bench.start()
            assert await bench.settle(within_s=600.0) is State.COMPLETE
            assert derived_told(bench) == []
            samples = bench.live.intake.samples
            for channel in bench.live.plan.channels:
                if channel.derivation is not None:
                    assert samples[channel.name].quality.name in {"GOOD", "STALE"}, channel.name
            assert samples["winding_heat"].value > 0.01

    run_virtual(story())


@pytest.mark.parametrize("kind", [BRUSHED, BRUSHLESS], ids=["greenhouse", "vineyard"])
@pytest.mark.parametrize("how", ["stop", "abort", "supply", "load_drive"])
def test_no_ordinary_stop_crosses_a_limit_on_a_derived_channel(tmp_path: Path, kind: Kind, how: str) -> None:
    async def story() -> None:
        async with running(tmp_path, programme=SHORT if kind is BRUSHED else PUMP, kind=kind, seed=4) as bench:
            await loaded(bench, kind)
            if how in {"supply", "load_drive"}:
                bench.rig.trip(how)
            else:
                bench.live.command(Command.STOP if how == "stop" else Command.ABORT, because="the test")
            await bench.until(lambda: bench.state not in {State.EXECUTE, State.IDLE}, "the stop")
            await bench.settle()
            assert derived_told(bench) == []

    run_virtual(story())


async def loaded(bench: OnTwin, kind: Kind) -> None:
    await bench.start()
    torque_nm = 0.09 if kind is BRUSHED else 1.5
    await bench.until(lambda: bench.truth.shaft_torque_nm > torque_nm, "the load", within_s=120.0)


# What breaks under load, the derived channel that says so, what its sentence names, and the time that it may take.
BREAKS = [
    (BRUSHED, "coupling_broken", True, "coupling_slip", "look at the coupling", 0.6),
    (BRUSHLESS, "coupling_broken", True, "coupling_slip", "look at the coupling", 0.6),
    (BRUSHED, "transducer_sign_flipped", True, "torque_disagreement", "the transducer's sign", 0.6),
    (BRUSHLESS, "transducer_sign_flipped", True, "torque_disagreement", "the transducer's sign", 0.6),
    (BRUSHLESS, "transducer_offset_nm", 0.6, "torque_disagreement", "the transducer's sign", 0.6),
    (BRUSHLESS, "frozen_input", 3.0, "torque_frozen", "shaft_torque has not changed", 4.0),
    (BRUSHLESS, "current_sensor_reversed", True, "current_disagreement", "the current sensor", 1.0),
]


@pytest.mark.parametrize(("kind", "fault", "amount", "channel", "says", "within_s"), BREAKS)
def test_what_breaks_is_seen_and_named_in_time(
    tmp_path: Path, kind: Kind, fault: str, amount: float | bool, channel: str, says: str, within_s: float
) -> None:
    async def story() -> None:
        programme = SHORT if kind is BRUSHED else PUMP
        async with running(tmp_path, programme=programme, kind=kind, seed=5) as bench:
            await loaded(bench, kind)
            bench.rig.set_plant_fault(fault, amount)
            await bench.until(lambda: bool(derived_told(bench)), f"{channel}", within_s=within_s)
            await bench.settle()
            assert bench.state is State.ABORTED
            first = bench.told("tripped")[0]["cause"]
            assert first.startswith(f"{channel} ")
            assert says in first
            assert "(limit from " in first

    run_virtual(story())


def test_an_encoder_that_freezes_while_the_shaft_speeds_up_is_seen(tmp_path: Path) -> None:
    async def story() -> None:
        async with running(tmp_path, seed=5) as bench:
            await bench.start()
            await bench.turning(200.0)
            bench.rig.set_plant_fault("frozen_input", 5.0)
            await bench.until(lambda: bool(derived_told(bench)), "the frozen encoder", within_s=1.5)
            await bench.settle()
            first = bench.told("tripped")[0]
            assert first["cause"].startswith(("speed_frozen above", "coupling_slip below"))
            assert bench.state is State.ABORTED

    run_virtual(story())
