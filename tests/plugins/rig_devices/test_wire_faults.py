import pytest

from benchd_rig.wire_faults import KINDS, UnknownFaultError, WireFaults


@pytest.fixture
def faults() -> WireFaults:
    return WireFaults(device="supply", wire="scpi")


def test_a_fault_is_on_until_it_is_switched_off(faults):
    faults.switch("hang", on=True)
    assert faults.is_on("hang")
    assert faults.strike("hang") == {}
    faults.switch("hang", on=False)
    assert faults.strike("hang") is None


def test_a_counted_fault_ends_by_itself(faults):
    faults.switch("late_reply", on=True, times=2, parameters={"delay_s": 0.1})
    assert faults.strike("late_reply") == {"delay_s": 0.1, "keep_reply": 1.0}
    assert faults.strike("late_reply") is not None
    assert faults.strike("late_reply") is None
    assert faults.names() == ()


@pytest.mark.parametrize(
    ("kind", "parameters", "says"),
    [
        ("fire", {}, "no wire fault 'fire'"),
        ("wrong_transaction", {}, "no wire fault"),  # exists on Modbus only
        ("late_reply", {"seconds": 1.0}, "no number 'seconds'"),
        ("late_reply", {"delay_s": -1.0}, "0 or more"),
        ("late_reply", {"delay_s": float("nan")}, "finite"),
    ],
)
def test_an_unknown_fault_is_one_sentence_and_changes_nothing(faults, kind, parameters, says):
    with pytest.raises(UnknownFaultError, match=says):
        faults.switch(kind, on=True, parameters=parameters)
    assert faults.names() == ()


def test_every_kind_says_what_it_is():
    assert all(kind.summary for kind in KINDS.values())
