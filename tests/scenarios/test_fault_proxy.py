"""The fault proxy itself, before a plain echo server: each fault as a raw socket sees it."""

import contextlib
import select
import socket
import socketserver
import threading
import time
from collections.abc import Iterator

import pytest

from .fault_proxy import Direction, Fault, FaultProxy

pytestmark = pytest.mark.wires
WITHIN_S = 5.0
NOTHING_S = 0.15
BOTH: tuple[Direction, Direction] = ("to_device", "to_daemon")


class Echo(socketserver.BaseRequestHandler):
    """Gives back what it gets; at the end of it says how much that was."""

    def handle(self) -> None:
        heard = 0
        with contextlib.suppress(OSError):
            while data := self.request.recv(4096):
                heard += len(data)
                self.request.sendall(data)
            self.request.sendall(b"<%d>" % heard)


class Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True


@pytest.fixture
def proxy() -> Iterator[FaultProxy]:
    with Server(("127.0.0.1", 0), Echo) as server:
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
        with FaultProxy(*server.server_address) as one:
            yield one
        server.shutdown()


@pytest.fixture
def caller(proxy: FaultProxy) -> Iterator[socket.socket]:
    with calling(proxy) as one:
        yield one


def calling(proxy: FaultProxy) -> socket.socket:
    one = socket.create_connection((proxy.host, proxy.port), timeout=WITHIN_S)
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return one


def exactly(caller: socket.socket, count: int) -> bytes:
    heard = b""
    while len(heard) < count:
        more = caller.recv(count - len(heard))
        assert more, f"the connection ended after {heard!r}"
        heard += more
    return heard


def silent(caller: socket.socket, for_s: float = NOTHING_S) -> bool:
    return not select.select([caller], [], [], for_s)[0]


def asked(caller: socket.socket, message: bytes) -> bytes:
    caller.sendall(message)
    return exactly(caller, len(message))


def test_without_a_fault_everything_passes_in_both_directions(proxy: FaultProxy, caller: socket.socket) -> None:
    message = bytes(range(256)) * 2000
    sending = threading.Thread(target=caller.sendall, args=(message,))
    sending.start()
    assert exactly(caller, len(message)) == message
    sending.join()
    caller.shutdown(socket.SHUT_WR)
    assert exactly(caller, 8) == b"<512000>"
    assert caller.recv(1) == b""
    assert (proxy.accepted, proxy.struck) == (1, 0)


@pytest.mark.parametrize("direction", BOTH)
def test_a_delay_is_added_once_to_each_chunk_and_keeps_their_order(
    proxy: FaultProxy, caller: socket.socket, direction: Direction
) -> None:
    proxy.switch(direction, Fault(delay_s=0.2))
    began_s = time.monotonic()
    for number in (b"1", b"2", b"3"):
        caller.sendall(number)
        time.sleep(0.02)
    assert exactly(caller, 3) == b"123"
    assert 0.2 <= time.monotonic() - began_s < 0.5  # not three times as long: they are on their way together
    proxy.mend()
    began_s = time.monotonic()
    assert asked(caller, b"4") == b"4"
    assert time.monotonic() - began_s < 0.2


@pytest.mark.parametrize("direction", BOTH)
def test_swallowed_bytes_never_come_and_the_connection_stays(
    proxy: FaultProxy, caller: socket.socket, direction: Direction
) -> None:
    proxy.switch(direction, Fault(swallow=True))
    caller.sendall(b"gone")
    assert silent(caller)
    with calling(proxy) as other:  # a new one is taken all the same, and nobody answers
        other.sendall(b"hello?")
        assert silent(other)
    proxy.mend()
    assert asked(caller, b"back") == b"back"


def test_half_of_a_message_is_lost(proxy: FaultProxy, caller: socket.socket) -> None:
    proxy.switch("to_daemon", Fault(keep_bytes=3), times=1)
    caller.sendall(b"abcdef")
    assert exactly(caller, 3) == b"abc"
    assert silent(caller)
    assert asked(caller, b"xyz") == b"xyz"


@pytest.mark.parametrize("direction", BOTH)
@pytest.mark.parametrize(("bit", "heard"), [(0, b"\xc1BC"), (7, b"@BC"), (8, b"A\xc2C"), (23, b"ABB"), (24, b"ABC")])
def test_one_bit_is_turned_over(
    proxy: FaultProxy, caller: socket.socket, direction: Direction, bit: int, heard: bytes
) -> None:
    proxy.switch(direction, Fault(flip_bit=bit))
    assert asked(caller, b"ABC") == heard


def test_a_chunk_comes_twice(proxy: FaultProxy, caller: socket.socket) -> None:
    proxy.switch("to_daemon", Fault(duplicate=True), times=1)
    caller.sendall(b"ab")
    assert exactly(caller, 4) == b"abab"
    assert asked(caller, b"c") == b"c"


def test_behind_by_one_each_question_gets_the_answer_to_the_one_before(
    proxy: FaultProxy, caller: socket.socket
) -> None:
    proxy.switch("to_daemon", Fault(behind=True))
    caller.sendall(b"1")
    assert silent(caller)
    assert asked(caller, b"2") == b"1"
    assert asked(caller, b"3") == b"2"
    proxy.mend()
    caller.sendall(b"4")
    assert exactly(caller, 2) == b"34"


@pytest.mark.parametrize("gap_s", [0.005, 0.05])
def test_bytes_come_one_by_one_with_a_gap(proxy: FaultProxy, caller: socket.socket, gap_s: float) -> None:
    proxy.switch("to_daemon", Fault(gap_s=gap_s), times=1)
    began_s = time.monotonic()
    caller.sendall(b"dripping")
    pieces = []
    while sum(map(len, pieces)) < 8:
        pieces.append(caller.recv(8))
    assert b"".join(pieces) == b"dripping"
    assert time.monotonic() - began_s >= 7 * gap_s
    assert len(pieces) >= 4  # a busy machine may find two at once
    assert asked(caller, b"whole") == b"whole"


def test_a_cut_resets_every_connection_and_the_next_one_is_taken(proxy: FaultProxy, caller: socket.socket) -> None:
    assert asked(caller, b"1") == b"1"
    proxy.cut()
    with pytest.raises(ConnectionResetError):
        caller.recv(1)
    with calling(proxy) as again:
        assert asked(again, b"2") == b"2"
    assert proxy.accepted == 2


def test_refused_connections_are_taken_again_on_the_same_port(proxy: FaultProxy, caller: socket.socket) -> None:
    assert asked(caller, b"1") == b"1"
    port = proxy.port
    proxy.refuse()
    with pytest.raises(ConnectionResetError):
        caller.recv(1)
    with pytest.raises(ConnectionRefusedError):
        calling(proxy)
    proxy.listen()
    assert proxy.port == port
    with calling(proxy) as again:
        assert asked(again, b"2") == b"2"


def test_one_direction_is_closed_and_the_other_one_stays_open(proxy: FaultProxy, caller: socket.socket) -> None:
    assert asked(caller, b"12345") == b"12345"
    proxy.finish("to_device")
    assert exactly(caller, 3) == b"<5>"  # the server has heard the end and still answers


def test_the_other_direction_is_closed_alone(proxy: FaultProxy, caller: socket.socket) -> None:
    assert asked(caller, b"1") == b"1"
    proxy.finish("to_daemon")
    assert caller.recv(1) == b""
    caller.sendall(b"still heard")  # no reset: the device goes on listening
    time.sleep(NOTHING_S)  # its answers are lost
    assert proxy.accepted == 1


def test_where_the_device_is_gone_a_caller_is_let_in_and_dropped() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
        with FaultProxy("127.0.0.1", port) as proxy, calling(proxy) as caller, pytest.raises(ConnectionResetError):
            caller.recv(1)
