"""The simulated instruments against IEEE 488.2 and SCPI-99.

Sources: IEEE 488.2 clause 11.5.1 (standard event status register); SCPI-99 volume 2 clause 21.8 (error numbers and
texts), volume 1 clause 7.2.1 (numbers for infinity and not a number).
"""

import math

import pytest

from benchd_rig.bench import make_bench
from benchd_rig.measuring_unit import measuring_instrument
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.scpi_parameters import measured
from benchd_rig.sink import sink_instrument
from benchd_rig.supply import supply_instrument


def supply() -> ScpiInstrument:
    bench = make_bench("reference_dc_24v", seed=0, clock=lambda: 0.0)
    return supply_instrument(bench.supply, faults=bench.faults["supply"], identity="a,b,c,d", other_identity="e,f,g,h")


@pytest.mark.parametrize(
    ("message", "bit"),
    [("*OPC", 1), ("VOLT 1000", 16), ("NONSENSE", 32)],
)
def test_event_status_bits(message, bit):
    instrument = supply()
    assert instrument.execute("*ESR?") == "128"  # power on
    instrument.execute(message)
    assert instrument.execute("*ESR?") == str(bit)


@pytest.mark.parametrize(("code", "bit"), [(-410, 4), (-420, 4), (-350, 8), (-222, 16), (-113, 32)])
def test_error_classes_set_their_event_bit(code, bit):
    instrument = supply()
    instrument.execute("*CLS")
    instrument.error(code)
    assert instrument.execute("*ESR?") == str(bit)


@pytest.mark.parametrize(
    ("code", "text"),
    [
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-224, "Illegal parameter value"),
        (-350, "Queue overflow"),
        (-410, "Query INTERRUPTED"),
        (-420, "Query UNTERMINATED"),
    ],
)
def test_error_numbers_have_their_standard_text(code, text):
    instrument = supply()
    instrument.error(code)
    assert instrument.execute("SYSTem:ERRor?") == f'{code},"{text}"'
    assert instrument.execute("SYSTem:ERRor?") == '0,"No error"'


def test_numbers_for_overload_and_not_a_number():
    assert float(measured(math.inf)) == 9.9e37
    assert float(measured(-math.inf)) == -9.9e37
    assert float(measured(math.nan)) == 9.91e37


@pytest.mark.parametrize(
    "message",
    [
        "OUTPut OFF", "OUTP:STAT OFF", "OUTPut:STATe?", "SOURce:VOLTage 1", "VOLT 1", "SOUR:CURRent 1", "CURR?",
        "VOLTage:PROTection 20", "SOUR:VOLT:PROT?", "MEASure:VOLTage?", "MEAS:CURR?", "measure:power?",
        "OUTPut:PROTection:CLEar",
    ],
)  # fmt: skip
def test_supply_headers_are_known(message):
    instrument = supply()
    instrument.execute(message)
    assert instrument.execute("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize(
    "message", ["INPut ON", "INP:STAT OFF", "FUNCtion CURRent", "FUNC VOLT", "FUNC RES", "func power"]
)
def test_electronic_load_headers_are_known(message):  # de-facto headers, common practice
    bench = make_bench("reference_dc_24v", seed=0, clock=lambda: 0.0)
    instrument = sink_instrument(bench.sink, faults=bench.faults["sink"], identity="a,b,c,d", other_identity="e")
    instrument.execute(message)
    assert instrument.execute("SYST:ERR?") == '0,"No error"'


def test_a_fetched_channel_list_answers_with_comma_separated_numbers():
    bench = make_bench("reference_dc_24v", seed=0, clock=lambda: 0.0)
    instrument = measuring_instrument(
        bench.measuring_unit, faults=bench.faults["measuring_unit"], identity="a,b,c,d", other_identity="e"
    )
    assert len([float(part) for part in instrument.execute("FETCh? (@1,2,5)").split(",")]) == 3
