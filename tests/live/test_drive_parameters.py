"""What drives were commissioned with is read, told and compared before anything is enabled; one misfit refuses."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from benchd.app.wiring import bench_plan
from benchd.contract import DriveParameters, LinkLost
from benchd.live.engine import ActFailed
from benchd.live.plan import Expected, ExpectedSet
from benchd.live.proof import parameter_objection
from benchd.live.starting import Starter
from benchd.rules.parameter_set import sha256_of
from benchd.rules.states import Command, State

from . import twin_bench
from .parts import LOAD, SOUND, Device, World, parts, run_plan
from .twin_bench import BRUSHED, BRUSHLESS, SHORT, Kind, planned, running

pytestmark = pytest.mark.virtual_time

TOLD = {"pole_pairs": 4, "rated_torque_nm": 2390 * 0.001, "overspeed_rpm": 5500.0, "disable_option": 1}
ENERGISING = {"load_drive.enable", "supply.switch_output True"}


def expected(sha256: str | None = None, **values: float) -> ExpectedSet:
    return ExpectedSet(
        values=tuple(
            Expected(name=name, value=value, origin=f"b.toml:{line} drive_parameters.load_drive.{name}")
            for line, (name, value) in enumerate(values.items(), start=7)
        ),
        sha256=sha256,
        sha256_origin="b.toml:99 drive_parameters.load_drive.parameters_sha256",
    )


# the objection itself


def test_what_fits_has_no_objection_whatever_else_the_drive_tells() -> None:
    assert parameter_objection(LOAD, TOLD, ExpectedSet()) is None
    assert parameter_objection(LOAD, TOLD, expected(rated_torque_nm=2.39)) is None
    assert parameter_objection(LOAD, TOLD, expected(sha256_of(TOLD), **TOLD)) is None
    assert parameter_objection(LOAD, TOLD, expected(sha256_of(TOLD))) is None


@pytest.mark.parametrize("name", TOLD)
def test_the_one_value_that_does_not_fit_is_named_with_both_numbers_file_and_line(name: str) -> None:
    wanted = expected("0" * 64, **{**TOLD, name: 3.25})
    line = 7 + list(TOLD).index(name)
    assert parameter_objection(LOAD, TOLD, wanted) == (
        f"load_drive.axis holds {name} = {TOLD[name]:.9g}, but b.toml:{line} drive_parameters.load_drive.{name} "
        "expects 3.25: set it in the drive, or correct the file if the drive is right."
    )


def test_a_difference_in_the_last_digit_that_a_register_has_counts_and_one_of_binary_fractions_does_not() -> None:
    assert parameter_objection(LOAD, TOLD, expected(rated_torque_nm=2.391)) is not None
    assert parameter_objection(LOAD, {"a_v": 0.1 + 0.2}, expected(a_v=0.3)) is None


def test_several_misfits_are_one_sentence_about_the_first_with_the_names_of_the_others() -> None:
    sentence = parameter_objection(LOAD, TOLD, expected(pole_pairs=5, overspeed_rpm=1.0, disable_option=0))
    assert sentence is not None
    assert sentence.startswith("load_drive.axis holds pole_pairs = 4, but b.toml:7 ")
    assert sentence.endswith(" (nor do these fit: overspeed_rpm, disable_option).")
    assert sentence.count(". ") == 0


def test_a_parameter_that_the_drive_does_not_tell_is_a_misfit() -> None:
    assert parameter_objection(LOAD, TOLD, expected(peak_current_a=60.0)) == (
        "load_drive.axis does not tell peak_current_a, for which b.toml:7 drive_parameters.load_drive.peak_current_a "
        "expects 60: set it in the drive, or correct the file if the drive is right."
    )


def test_where_only_the_hash_differs_the_sentence_says_so_and_gives_all_that_was_read() -> None:
    sentence = parameter_objection(LOAD, TOLD, expected("ab" * 32, pole_pairs=4))
    assert sentence == (
        "load_drive.axis holds another parameter set than b.toml:99 drive_parameters.load_drive.parameters_sha256 "
        f"expects: every value that is stated for it fits, but the SHA-256 of all that it tells is {sha256_of(TOLD)} "
        f"instead of {'ab' * 32}, read as disable_option = 1, overspeed_rpm = 5500, pole_pairs = 4, rated_torque_nm = "
        "2.39: find what was changed in the drive, or state the new hash."
    )
    assert "no value is stated for it" in (parameter_objection(LOAD, TOLD, expected("ab" * 32)) or "")


# in a start


class Telling(Device):
    """A load drive that tells its parameters."""

    def __init__(self, world: World, told: Mapping[str, float]) -> None:
        super().__init__(world, "load_drive")
        self.told = told

    async def read_parameters(self) -> DriveParameters:
        await self._answer("read_parameters")
        return DriveParameters(values=self.told)


async def test_they_are_read_before_the_first_device_is_enabled_and_told_with_their_hash() -> None:
    world = World()
    async with parts(world) as rack:
        rack.links["load_drive"].port = Telling(world, TOLD)
        rack.plan = replace(rack.plan, expected_parameters={LOAD: expected(sha256_of(TOLD), **TOLD)})
        await Starter(rack).start(run_plan())
        names = world.names()
        assert names.index("load_drive.read_parameters done") < min(map(names.index, ENERGISING))
        assert world.told("drive_parameters") == [
            {"port": "load_drive.axis", "parameters": TOLD, "sha256": sha256_of(TOLD)}
        ]


async def test_one_that_differs_refuses_the_start_with_nothing_enabled_and_is_told_all_the_same() -> None:
    world = World()
    async with parts(world) as rack:
        rack.links["load_drive"].port = Telling(world, {**TOLD, "pole_pairs": 5})
        rack.plan = replace(rack.plan, expected_parameters={LOAD: expected(**TOLD)})
        with pytest.raises(ActFailed, match=r"^load_drive\.axis holds pole_pairs = 5, but b\.toml:7 .* expects 4: "):
            await Starter(rack).start(run_plan())
        assert not ENERGISING & set(world.names())
        assert not rack.energised
        assert world.told("drive_parameters")[0]["parameters"]["pole_pairs"] == 5


async def test_what_a_drive_leaves_open_is_told_before_what_a_file_says_of_it() -> None:
    world = World(shows={"load_drive": replace(SOUND["load_drive"], overspeed_rpm=9000.0)})
    async with parts(world) as rack:
        rack.links["load_drive"].port = Telling(world, {**TOLD, "pole_pairs": 5})
        rack.plan = replace(rack.plan, expected_parameters={LOAD: expected(**TOLD)})
        with pytest.raises(ActFailed, match=r"^load_drive\.axis trips itself only above 9000 r/min[^.]*\.$"):
            await Starter(rack).start(run_plan())


async def test_without_a_table_in_the_bench_file_they_are_told_with_a_note_and_the_bench_starts() -> None:
    world = World()
    async with parts(world) as rack:
        rack.links["load_drive"].port = Telling(world, TOLD)
        await Starter(rack).start(run_plan())
        (told,) = world.told("drive_parameters")
        assert told["note"] == "The bench file states no parameters of load_drive.axis: not compared."
        assert told["sha256"] == sha256_of(TOLD)


async def test_a_driver_that_tells_none_still_starts_and_the_record_says_so() -> None:
    world = World()
    async with parts(world) as rack:
        await Starter(rack).start(run_plan())
        (told,) = world.told("drive_parameters")
        assert told == {
            "port": "load_drive.axis",
            "parameters": {},
            "note": "The driver of load_drive.axis tells no parameters: not compared.",
        }


async def test_a_drive_whose_parameters_cannot_be_read_is_not_enabled() -> None:
    class Silent(Telling):
        async def read_parameters(self) -> DriveParameters:
            raise LinkLost("The load_drive gave no reply: look at its wire.")

    world = World()
    async with parts(world) as rack:
        rack.links["load_drive"].port = Silent(world, TOLD)
        with pytest.raises(ActFailed, match=r"load_drive\.axis: The load_drive gave no reply"):
            await Starter(rack).start(run_plan())
        assert not ENERGISING & set(world.names())


# the benches that come along, on the simulated bench


@pytest.mark.parametrize(("kind", "drives"), [(BRUSHED, 1), (BRUSHLESS, 2)], ids=["greenhouse", "vineyard"])
async def test_the_shipped_bench_files_state_what_their_drives_hold(tmp_path, kind: Kind, drives: int) -> None:
    programme = SHORT if kind is BRUSHED else _SHORT_PUMP
    made, _ = planned(programme, folder=tmp_path, kind=kind)
    stated = {str(ref): expected for ref, expected in bench_plan(made).expected_parameters.items()}
    async with running(tmp_path, kind=kind, programme=programme) as bench:
        await bench.start()
        told = bench.told("drive_parameters")
        assert len({fields["port"] for fields in told}) == drives
        for fields in told:
            assert "note" not in fields
            values = {one.name: one.value for one in stated[fields["port"]].values}
            assert values == pytest.approx(fields["parameters"], rel=1e-9)
        assert [event for event in bench.recorded.events if event["event"] == "drive_parameters"]
        assert await bench.command(Command.STOP) is State.STOPPED


async def test_other_pole_pairs_than_the_specimens_refuse_even_where_the_bench_file_says_nothing(
    tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(twin_bench, "bench_plan", lambda bench: replace(bench_plan(bench), expected_parameters={}))
    async with running(tmp_path, kind=BRUSHLESS, programme=_SHORT_PUMP) as bench:
        assert await bench.command(Command.RESET) is State.IDLE
        bench.rig.drives["motor_drive"].rating.pole_pairs = 5
        assert await bench.command(Command.START) is State.STOPPED
        (failed,) = bench.told("failed")
        assert failed["sentence"].startswith("motor_drive.axis holds pole_pairs = 5, but ")
        assert "pump_48v.toml:10 pole_pairs expects 4" in failed["sentence"]


_SHORT_PUMP = """
schema = 1
name = "short pump"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 1000.0
torques_nm = [0.5, 1.0]
torque_slope_nm_per_s = 4.0
settle_time_s = 0.3
average_time_s = 0.5
speed_band_rpm = 20.0
"""
