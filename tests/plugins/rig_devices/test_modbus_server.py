import pytest

from benchd_rig.modbus_codec import Frame, take_frames
from benchd_rig.modbus_server import ModbusConversation
from benchd_rig.safety_chain import SafetyChain
from benchd_rig.wire_faults import WireFaults


class Chain:
    """A safety chain on a wire, asked frame by frame."""

    def __init__(self) -> None:
        self.chain = SafetyChain()
        self.faults = WireFaults(device="safety_chain", wire="modbus")
        self.looked = 0
        self.wire = ModbusConversation(model=self.chain, faults=self.faults, before_request=self._look)

    def _look(self) -> None:
        self.looked += 1

    def ask(self, pdu: str, *, transaction: int = 7, unit: int = 1) -> Frame | None:
        [message] = self.wire.feed(Frame(transaction=transaction, unit=unit, pdu=bytes.fromhex(pdu)).encode())
        reply = self.wire.answer(message)
        return None if reply is None else next(take_frames(bytearray(reply)))


@pytest.fixture
def wire() -> Chain:
    return Chain()


def test_the_reply_carries_the_requests_transaction_and_unit(wire):
    assert wire.ask("02 0000 0005", transaction=0xBEEF) == Frame(transaction=0xBEEF, unit=1, pdu=b"\x02\x01\x1f")
    assert wire.looked == 1


def test_another_unit_is_not_answered_and_nothing_happens(wire):
    assert wire.ask("05 0001 FF00", unit=2) is None
    assert wire.chain.permit
    assert wire.looked == 0


def test_what_is_not_modbus_ends_the_connection(wire):
    with pytest.raises(ConnectionError):
        wire.wire.feed(b"*IDN?\n*IDN?\n")


def test_half_a_frame_of_an_earlier_connection_is_forgotten(wire):
    wire.wire.feed(b"\x00\x01\x00\x00")
    wire.wire.restart()
    assert wire.ask("02 0000 0005") is not None


def test_an_ignored_write_is_confirmed_and_does_nothing(wire):
    wire.faults.switch("ignore_writes", on=True)
    assert wire.ask("05 0001 FF00") == Frame(transaction=7, unit=1, pdu=bytes.fromhex("050001FF00"))
    assert wire.chain.permit


def test_a_refused_write_gets_the_chosen_exception_and_does_nothing(wire):
    wire.faults.switch("says_no", on=True, parameters={"code": 6})
    assert wire.ask("05 0001 FF00") == Frame(transaction=7, unit=1, pdu=b"\x85\x06")
    assert wire.chain.permit


def test_a_stuck_value_repeats_the_first_reply_under_new_transactions(wire):
    wire.faults.switch("stuck_value", on=True)
    before = wire.ask("02 0000 0005", transaction=1)
    wire.chain.withdraw()
    after = wire.ask("02 0000 0005", transaction=2)
    assert before is not None
    assert after == Frame(transaction=2, unit=1, pdu=before.pdu)
    wire.faults.clear()
    assert wire.ask("02 0000 0005") == Frame(transaction=7, unit=1, pdu=b"\x02\x01\x07")


def test_a_wrong_transaction_is_the_one_before(wire):
    wire.faults.switch("wrong_transaction", on=True)
    reply = wire.ask("02 0000 0005", transaction=0)
    assert reply is not None
    assert reply.transaction == 0xFFFF
