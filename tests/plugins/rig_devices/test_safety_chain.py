import pytest

from benchd_rig.modbus_codec import ModbusRefusal
from benchd_rig.safety_chain import Button, ResetRefusedError, SafetyChain


@pytest.fixture
def chain() -> SafetyChain:
    return SafetyChain()


def inputs(chain: SafetyChain) -> list[bool]:
    return list(chain.read_discrete_inputs(0, 5))


def beats(chain: SafetyChain, *, start_s: float, end_s: float) -> None:
    for index in range(int((end_s - start_s) * 10) + 1):
        time_s = start_s + index / 10
        chain.step(time_s)
        chain.write_coil(0, on=index % 2 == 0)


def test_at_power_up_the_permit_is_there(chain):
    assert inputs(chain) == [True] * 5


def test_without_a_first_beat_nothing_is_supervised(chain):
    chain.step(100.0)
    assert chain.permit


def test_a_coil_that_stops_changing_opens_the_permit_after_half_a_second(chain):
    beats(chain, start_s=0.0, end_s=1.0)
    chain.step(1.49)
    assert chain.permit
    chain.step(1.51)
    assert inputs(chain) == [True, True, True, False, False]
    assert "heartbeat" in chain.opened_by


def test_writing_the_same_value_again_and_again_is_no_beat(chain):
    beats(chain, start_s=0.0, end_s=1.0)
    for index in range(10):
        chain.step(1.0 + index / 10)
        chain.write_coil(0, on=True)
    assert not chain.permit


def test_beats_that_come_back_do_not_bring_the_permit_back(chain):
    beats(chain, start_s=0.0, end_s=1.0)
    chain.step(2.0)
    beats(chain, start_s=2.0, end_s=3.0)
    assert not chain.permit
    chain.press(Button.RESET)
    assert chain.permit


def test_reset_has_no_effect_while_the_heartbeat_is_dead(chain):
    beats(chain, start_s=0.0, end_s=1.0)
    chain.step(2.0)
    with pytest.raises(ResetRefusedError, match="heartbeat"):
        chain.press(Button.RESET)
    assert not chain.permit


def test_a_withdrawn_permit_returns_only_by_the_reset_button(chain):
    chain.write_coil(1, on=True)
    assert not chain.permit
    chain.write_coil(1, on=False)
    assert not chain.permit
    assert chain.read_coils(0, 2) == (False, True)
    chain.press(Button.RESET)
    assert chain.permit
    assert chain.read_coils(1, 1) == (False,)


@pytest.mark.parametrize(
    ("bad", "good", "index"),
    [(Button.ESTOP, Button.RELEASE_ESTOP, 1), (Button.OPEN_GUARD, Button.CLOSE_GUARD, 0)],
)
def test_stop_and_guard_latch_and_forbid_reset_until_undone(chain, bad, good, index):
    chain.press(bad)
    assert not inputs(chain)[index]
    with pytest.raises(ResetRefusedError):
        chain.press(Button.RESET)
    chain.press(good)
    assert inputs(chain) == [True, True, True, False, False]
    chain.press(Button.RESET)
    assert inputs(chain) == [True] * 5


def test_the_sto_button_takes_torque_and_leaves_the_permit(chain):
    chain.press(Button.STO)
    assert inputs(chain) == [True, True, True, False, True]
    chain.press(Button.RELEASE_STO)
    assert chain.torque_enabled


def test_the_selector_is_only_told(chain):
    chain.press(Button.LOCAL)
    assert inputs(chain) == [True, True, False, True, True]
    chain.press(Button.REMOTE)
    assert inputs(chain)[2]


def test_the_start_warning_is_an_output_and_the_release_an_input_that_open_and_close_nothing(chain):
    chain.write_coil(2, on=True)
    assert chain.start_warning
    assert chain.read_coils(2, 1) == (True,)
    chain.press(Button.PRESS_START_RELEASE)
    assert list(chain.read_discrete_inputs(0, 6)) == [True] * 6
    chain.press(Button.LET_GO_START_RELEASE)
    chain.write_coil(2, on=False)
    assert list(chain.read_discrete_inputs(0, 6)) == [True] * 5 + [False]
    assert not chain.start_warning


def test_no_wire_can_close_it(chain):
    chain.press(Button.ESTOP)
    chain.write_coil(2, on=True)  # the horn
    assert not chain.permit
    for address in range(3, 10):
        with pytest.raises(ModbusRefusal):
            chain.write_coil(address, on=True)
    with pytest.raises(ModbusRefusal):
        chain.write_registers(0, [1])
