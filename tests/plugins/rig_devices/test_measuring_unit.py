import struct

import pytest

from benchd_rig.bench import IDENTITIES, OTHER_IDENTITY, Bench
from benchd_rig.measuring_unit import measuring_instrument
from benchd_rig.scpi_instrument import ScpiInstrument


@pytest.fixture
def panel(bench: Bench) -> ScpiInstrument:
    return measuring_instrument(
        bench.measuring_unit,
        faults=bench.faults["measuring_unit"],
        identity=IDENTITIES["measuring_unit"],
        other_identity=OTHER_IDENTITY,
    )


def test_values_come_in_the_order_asked(bench, clock, panel):
    bench.supply.set_voltage(24.0)
    bench.supply.set_current_limit(10.0)
    bench.supply.switch_output(on=True)
    clock.passes(1.0)
    speed, volts = map(float, panel.execute("FETC? (@5,1)").split(","))
    truth = bench.plant.truth()
    assert speed == pytest.approx(truth.motor_speed_rpm, rel=1e-3)
    assert volts == pytest.approx(truth.terminal_voltage_v / 10, rel=1e-3)


def test_without_a_list_every_input_answers(panel):
    assert len(panel.execute("FETCh?").split(",")) == 6


def test_an_overloaded_input_and_a_lead_that_is_off_use_the_numbers_of_scpi(bench, clock, panel):
    bench.plant.faults.transducer_offset_nm = -1.0  # beyond the narrow range only
    bench.plant.faults.encoder_lost = True
    clock.passes(0.1)
    wide, narrow, speed = panel.execute("FETC? (@3,4,5)").split(",")
    assert float(wide) == pytest.approx(-5.0, abs=0.1)
    assert (narrow, speed) == ("-9.9E37", "9.91E37")


def test_an_input_that_is_not_there_is_an_illegal_value(panel):
    assert panel.execute("FETC? (@7)") is None
    assert panel.execute("SYST:ERR?") == '-224,"Illegal parameter value"'


START = "FORM REAL,32;:FORM:BORD SWAP;:WAV:CHAN (@11,18);RATE 10000;STAT ON"


def block_of(answer: bytes) -> tuple[int, int, bytes]:
    """First index, lost and payload of an answer, taken apart as IEEE 488.2, 8.7.9 says."""
    assert (answer[12:13], answer[19:21]) == (b",", b",#")
    digits = int(answer[21:22])
    length = int(answer[22 : 22 + digits])
    payload = answer[22 + digits :]
    assert len(payload) == length
    return int(answer[:12]), int(answer[13:19]), payload


def test_the_stream_is_read_back_as_it_was_set(panel):
    panel.execute(START)
    asked = "FORM?;FORM:BORD?;:WAV:CHAN?;RATE?;STAT?;:SYST:ERR?"
    assert panel.execute(asked) == 'REAL,32;SWAP;(@11,18);10000.000;1;0,"No error"'
    panel.execute("WAVeform:STATe OFF;:FORMat:BORDer NORMal")
    assert panel.execute("WAVeform:STATe?;:FORMat:BORDer?") == "0;NORM"


def test_a_block_holds_the_samples_since_the_last_one(bench, clock, panel):
    bench.supply.set_voltage(24.0)
    bench.supply.set_current_limit(10.0)
    bench.supply.switch_output(on=True)
    clock.passes(1.0)
    panel.execute(START)
    clock.passes(0.05)
    first, lost, payload = block_of(panel.execute("WAV:DATA?"))
    assert (first, lost, len(payload)) == (0, 0, 500 * 8)
    currents = [current for _, current in struct.iter_unpack("<ff", payload)]
    assert sum(currents) / 500 == pytest.approx(bench.plant.truth().motor_current_a / 10, abs=2e-3)
    clock.passes(0.01)
    assert block_of(panel.execute("WAV:DATA?"))[0] == 500
    assert panel.execute("WAV:DATA?") == b"000000000600,000000,#10"


def test_a_stream_that_does_not_run_is_a_conflict_without_response(panel):
    assert panel.execute("WAV:DATA?") is None
    assert panel.execute("SYST:ERR?") == '-221,"Settings conflict;the stream does not run"'


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("FORM ASC", -224),
        ("FORM REAL,64", -224),
        ("FORM:BORD LITTLE", -224),
        ("WAV:CHAN (@10)", -224),
        ("WAV:CHAN (@11,19)", -224),
        ("WAV:RATE 20001", -222),
        ("WAV:RATE 0", -222),
        ("WAV:STAT MAYBE", -104),
    ],
)
def test_what_the_stream_does_not_have_is_refused(panel, message, number):
    panel.execute(message)
    assert panel.execute("SYST:ERR?").startswith(f"{number},")
    asked = "FORM?;FORM:BORD?;:WAV:CHAN?;RATE?;STAT?"
    assert panel.execute(asked) == "REAL,32;NORM;(@11,12,13,14,15,16,17,18);20000.000;0"


def test_a_truncated_block_announces_more_than_it_holds(bench, clock, panel):
    panel.execute(START)
    clock.passes(0.05)
    bench.faults["measuring_unit"].switch("truncated_block", on=True, times=1, parameters={"missing_bytes": 30})
    answer = panel.execute("WAV:DATA?")
    assert answer[21:26] == b"44000"
    assert len(answer) == 26 + 4000 - 30
    clock.passes(0.05)
    assert len(block_of(panel.execute("WAV:DATA?"))[2]) == 4000
