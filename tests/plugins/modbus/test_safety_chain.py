"""What the safety chain's window promises."""

import pytest

from benchd.contract import AnnouncesStart, Refused, ReplyWrong, SafetyChain
from benchd_modbus.manifests import SAFETY_CHAIN
from benchd_modbus.safety_chain import safety_chain

pytestmark = pytest.mark.wires


@pytest.fixture
def chain(device):
    device.discrete = {0: True, 1: True, 2: False, 3: False, 4: True}
    return device


async def test_all_inputs_are_read_in_one_exchange(chain, chain_settings):
    async with safety_chain(chain_settings(chain)) as ports:
        assert isinstance(ports["chain"], SafetyChain)
        before = len(chain.requests)
        reading = await ports["chain"].read()
        assert chain.requests[before:] == [bytes.fromhex("02 0000 0005")]
    assert dict(reading.signals()) == {
        "guard_closed_on": 1.0,
        "estop_released_on": 1.0,
        "remote_selected_on": 0.0,
        "torque_enabled_on": 0.0,
        "permit_on": 1.0,
    }


@pytest.mark.parametrize("name", ["guard_closed", "estop_released", "remote_selected", "torque_enabled", "permit"])
async def test_each_input_can_be_inverted_by_itself(chain, chain_settings, name):
    async with safety_chain(chain_settings(chain)) as ports:
        plain = await ports["chain"].read()
    async with safety_chain(chain_settings(chain, inverted=[name])) as ports:
        turned = await ports["chain"].read()
    differ = {key for key, on in plain.signals().items() if turned.signals()[key] != on}
    assert differ == {f"{name}_on"}


async def test_inputs_may_lie_anywhere(chain, chain_settings):
    chain.discrete = {17: True, 3: True, 9: False, 10: True, 4: False}
    inputs = {"guard_closed": 17, "estop_released": 9, "remote_selected": 4, "torque_enabled": 3, "permit": 10}
    async with safety_chain(chain_settings(chain, inputs=inputs)) as ports:
        reading = await ports["chain"].read()
    assert (reading.guard_closed, reading.estop_released, reading.permit) == (True, False, True)
    assert (reading.remote_selected, reading.torque_enabled) == (False, True)


async def test_a_beat_writes_the_heartbeat_coil_and_nothing_else(chain, chain_settings):
    async with safety_chain(chain_settings(chain, heartbeat_coil=7)) as ports:
        before = len(chain.requests)
        await ports["chain"].beat(high=True)
        await ports["chain"].beat(high=False)
        assert chain.requests[before:] == [bytes.fromhex("05 0007 ff00"), bytes.fromhex("05 0007 0000")]


async def test_a_beat_that_is_echoed_wrongly_is_a_wrong_reply(chain, chain_settings):
    async with safety_chain(chain_settings(chain)) as ports:
        chain.always(("reply", bytes.fromhex("05 0000 0000")))
        with pytest.raises(ReplyWrong):
            await ports["chain"].beat(high=True)


async def test_withdrawing_is_confirmed_by_the_permit_read_back_as_gone(chain, chain_settings):
    async with safety_chain(chain_settings(chain)) as ports:
        await ports["chain"].withdraw_permit()
        assert chain.coils == {1: True}
        assert not (await ports["chain"].read()).permit
    assert chain.requests[-2][0] == 2  # leaving wrote nothing


async def test_a_permit_that_stays_is_told(chain, chain_settings):
    chain.keeps_permit = True
    async with safety_chain(chain_settings(chain)) as ports:
        with pytest.raises(Refused, match="keeps its permit"):
            await ports["chain"].withdraw_permit()


WITH_RELEASE = {
    "guard_closed": 0,
    "estop_released": 1,
    "remote_selected": 2,
    "torque_enabled": 3,
    "permit": 4,
    "release_pressed": 5,
}


async def test_a_release_is_read_with_the_others_where_the_chain_has_one(chain, chain_settings):
    async with safety_chain(chain_settings(chain)) as ports:
        assert (await ports["chain"].read()).release_pressed is None
    settings = chain_settings(chain, inputs=WITH_RELEASE)
    async with safety_chain(settings) as ports:
        assert (await ports["chain"].read()).release_pressed is False
        chain.discrete[5] = True
        reading = await ports["chain"].read()
    assert reading.release_pressed is True
    assert SAFETY_CHAIN.ports(settings)[0].signals == tuple(reading.signals())


async def test_the_start_warning_is_written_and_read_back(chain, chain_settings):
    async with safety_chain(chain_settings(chain, start_warning_coil=6)) as ports:
        assert isinstance(ports["chain"], AnnouncesStart)
        assert ports["chain"].announces_start
        await ports["chain"].announce_start(on=True)
        assert chain.coils == {6: True}
        await ports["chain"].announce_start(on=False)
        assert chain.coils == {6: False}
        chain.behave = lambda _, pdu: ("reply", bytes.fromhex("01 01 00")) if pdu[0] == 1 else None
        with pytest.raises(ReplyWrong, match="coil 6"):
            await ports["chain"].announce_start(on=True)


async def test_a_chain_without_the_output_writes_nothing_for_a_start(chain, chain_settings):
    async with safety_chain(chain_settings(chain)) as ports:
        assert not ports["chain"].announces_start
        await ports["chain"].announce_start(on=True)
    assert [pdu[0] for pdu in chain.requests] == [2]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"start_warning_coil": 1}, "start_warning_coil"),
        ({"inverted": ["release_pressed"]}, "release_pressed is none of the inputs"),
        ({"inputs": {**WITH_RELEASE, "release_pressed": 4}}, "two share an address"),
        ({"inputs": {name: at for name, at in WITH_RELEASE.items() if name != "permit"}}, "all five are needed"),
    ],
)
def test_what_does_not_fit_together_is_refused(chain, chain_settings, given, words):
    with pytest.raises(ValueError, match=words):
        chain_settings(chain, **given)


async def test_entering_and_leaving_write_nothing(chain, chain_settings):
    made = safety_chain(chain_settings(chain))
    async with made:
        pass
    await made.__aexit__(None, None, None)
    assert [pdu[0] for pdu in chain.requests] == [2]
