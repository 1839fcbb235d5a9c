"""The communication watchdog of supply and sink: off at first, fed by any message, and it acts only on what is on."""

import pytest

from benchd_rig.bench import IDENTITIES, OTHER_IDENTITY, Bench
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.scpi_server import ScpiConversation
from benchd_rig.servers import DeviceServers
from benchd_rig.sink import sink_instrument
from benchd_rig.supply import supply_instrument


@pytest.fixture
def supply(bench: Bench) -> ScpiInstrument:
    return supply_instrument(
        bench.supply, faults=bench.faults["supply"], identity=IDENTITIES["supply"], other_identity=OTHER_IDENTITY
    )


@pytest.fixture
def sink(bench: Bench) -> ScpiInstrument:
    return sink_instrument(
        bench.sink, faults=bench.faults["sink"], identity=IDENTITIES["sink"], other_identity=OTHER_IDENTITY
    )


def test_silence_takes_the_output_away_after_its_period_and_not_before(bench, clock, supply):
    supply.execute("VOLT 12;CURR 5;:SYST:COMM:TIM 0.3;:OUTP ON")
    clock.passes(0.295)
    bench.advance()
    assert bench.supply.output_on
    clock.passes(0.02)
    bench.advance()
    assert not bench.plant.supply.output_on
    assert supply.execute("OUTP?;:VOLT:PROT:TRIP?") == "0;1"  # latched like any protection
    supply.execute("OUTP:PROT:CLE;:OUTP ON")
    assert supply.execute("OUTP?") == "1"


def test_without_a_period_silence_means_nothing(bench, clock, supply):
    supply.execute("VOLT 12;CURR 5;:OUTP ON")
    clock.passes(30.0)
    bench.advance()
    assert bench.supply.output_on
    assert supply.execute("SYST:COMM:TIM?") == "0.000"


def test_an_output_that_is_off_has_nothing_to_lose_and_the_time_counts_from_switching_on(bench, clock, supply):
    supply.execute("SYST:COMM:TIM 0.3")
    clock.passes(5.0)
    bench.advance()
    assert supply.execute("VOLT:PROT:TRIP?") == "0"
    supply.execute("VOLT 12;CURR 5;:OUTP ON")
    clock.passes(0.25)
    bench.advance()
    assert bench.supply.output_on


@pytest.mark.parametrize(("device", "on"), [("supply", "VOLT 12;CURR 5;:OUTP ON"), ("sink", "INP ON")])
def test_any_message_on_its_own_wire_feeds_it_and_one_elsewhere_does_not(bench, clock, device, on):
    servers = DeviceServers(bench)
    wire, other = (servers.by_device[name].conversation for name in (device, "measuring_unit"))
    assert isinstance(wire, ScpiConversation)
    wire.answer(f"SYST:COMM:TIM 0.3;:{on}".encode())
    state = {"supply": lambda: bench.supply.output_on, "sink": lambda: bench.sink.input_on}[device]
    for _ in range(10):
        clock.passes(0.2)
        wire.answer(b"*IDN?")
    assert state()
    for _ in range(2):
        clock.passes(0.2)
        other.answer(b"*IDN?")
    assert not state()


def test_a_sink_whose_watchdog_somebody_armed_lets_go_of_the_link(bench, clock, sink):
    sink.execute("SYST:COMM:TIM 0.3;:INP ON")
    clock.passes(0.4)
    bench.advance()
    assert sink.execute("INP?;:INP:PROT:TRIP?") == "0;1"


@pytest.mark.parametrize("told", ["-1", "61", "nan", "1 V"])
def test_a_period_out_of_range_changes_nothing(supply, told):
    supply.execute("*CLS;SYST:COMM:TIM 0.5")
    supply.execute(f"SYST:COMM:TIM {told}")
    assert supply.execute("SYST:COMM:TIM?") == "0.500"
    assert supply.execute("SYST:ERR?") != '0,"No error"'


def test_a_reset_switches_it_off(supply):
    supply.execute("SYST:COMM:TIM 0.5")
    supply.execute("*RST")
    assert supply.execute("SYST:COMM:TIM?") == "0.000"
