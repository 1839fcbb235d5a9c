"""A broker that refuses, closes, talks nonsense or floods costs the daemon a counter and a sentence, nothing more."""

import asyncio
import contextlib
import ssl
import subprocess
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from benchd.outside.broker import ARRIVED, ATTEMPTS, LOOK_EVERY_S, BrokerSettings

from .connected import TOPICS, peer, side, until
from .mosquitto import free_port, mosquitto, program

pytestmark = pytest.mark.wires


@contextlib.asynccontextmanager
async def server(
    answer: Callable[[bytes], bytes | None], tls: ssl.SSLContext | None = None
) -> AsyncIterator[tuple[int, list[bytes]]]:
    """A TCP server that answers what it reads with the bytes `answer` gives, and closes on None."""
    port, connections = free_port(), []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connections.append(b"")
        with contextlib.suppress(ConnectionError):
            while read := await reader.read(65_536):
                said = answer(read)
                if said is None:
                    break
                writer.write(said)
        writer.close()

    running = await asyncio.start_server(serve, "127.0.0.1", port, ssl=tls)
    async with running:
        yield port, connections


CONNACK = bytes([0x20, 3, 0, 0, 0])
SUBACK = bytes([0x90, 4, 0, 1, 0, 1])


@pytest.mark.parametrize(
    "said",
    [
        None,
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"\x00" * 64,
        b"\xff" * 64,
        bytes([0x20, 3, 0, 0x87, 0]),  # not authorised
        bytes([0x20, 1, 0]),
        CONNACK + bytes([0x90, 4, 0, 1, 0, 0x87]),
        CONNACK + bytes([0x30, 3, 0, 9, 65]),
        CONNACK + bytes([0xE0, 1, 0x8B]),  # the server is shutting down
    ],
    ids=["closes", "http", "zeros", "ones", "not authorised", "short", "no subscription", "torn publish", "leaves"],
)
async def test_whatever_a_server_answers_is_one_sentence_and_another_attempt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: bytes | None
) -> None:
    monkeypatch.setattr("benchd.outside.broker.OPEN_WITHIN_S", 0.3)
    async with server(lambda _: said) as (port, connections), side(tmp_path, port) as bench:
        await until(lambda: len(connections) >= 3)
        bench.event("e1")
        bench.state()
        assert bench.ups_and_downs == [False]
        assert bench.changes[0][1].endswith(".")
        assert not bench.broker.connected


async def test_a_server_that_says_nothing_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.outside.broker.OPEN_WITHIN_S", 0.2)
    async with server(lambda _: b"") as (port, connections), side(tmp_path, port) as bench:
        await until(lambda: len(connections) >= 2)
        assert bench.changes == [
            (False, f"The broker at 127.0.0.1:{port} does not answer; events are kept until it does.")
        ]


async def test_a_broker_that_pings_but_acknowledges_nothing_is_given_up(tmp_path: Path) -> None:
    def answer(read: bytes) -> bytes:
        said = b""
        if read[0] == 0x10:
            said += CONNACK
        if b"command/+" in read:
            said += SUBACK
        return said + bytes([0xD0, 0]) * (b"\xc0\x00" in read)

    async with server(answer) as (port, _), side(tmp_path, port, keepalive_s=0.5) as bench:
        await until(lambda: bench.broker.connected)
        bench.event("e1")
        await until(lambda: not bench.broker.connected)
        assert "acknowledges nothing" in bench.changes[-1][1]
        assert bench.spool.waiting == 1


async def test_waits_between_attempts_double_up_to_a_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[float] = []
    real = asyncio.sleep

    async def sleep(delay_s: float) -> None:
        if delay_s >= 0.2 and delay_s != LOOK_EVERY_S:
            slept.append(delay_s)
        await real(min(delay_s, 0.001))

    monkeypatch.setattr("benchd.outside.broker.asyncio.sleep", sleep)
    async with side(tmp_path, free_port()):
        while len(slept) < 8:
            await real(0.001)
    assert slept[:8] == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0, 5.0]


SECRET, WRONG = "made up", "made up too"


def password_file(folder: Path) -> Path:
    file = folder / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", file, "bench", SECRET], check=True)
    return file


def certificate(folder: Path, name: str) -> None:
    command = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=127.0.0.1"
    more = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", folder / f"{name}.key", "-out", folder / f"{name}.pem"]
    subprocess.run([*command.split(), *more], check=True, capture_output=True)


ACL = """
user bench
topic write bench/v1/x/state
topic read bench/v1/x/command/+
{event}
"""


async def test_events_that_may_not_be_published_are_kept_until_they_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A denied publish is acknowledged with 135 on MQTT 5: nobody has it, and nothing else must suffer."""
    monkeypatch.setattr("benchd.outside.broker.ATTEMPTS", 2)
    rights = tmp_path / "rights"
    rights.write_text(ACL.format(event=""))
    passwords = password_file(tmp_path)
    extra = f"allow_anonymous false\nacl_file {rights}\npassword_file {passwords}\nuser root"
    with mosquitto(tmp_path, extra=extra) as broker:
        async with side(tmp_path, broker.port, username="bench", password=SECRET) as bench:
            await until(lambda: bench.broker.connected)
            bench.event("e1")
            bench.event("e2")
            bench.state()
            await until(lambda: bench.outbox.retained_sent == 1)
            await until(lambda: bench.broker.unacknowledged >= 4)
            assert len(bench.refused) == 1
            assert "135" in bench.refused[0]
            assert bench.spool.waiting == 2
            assert bench.broker.connected
            rights.write_text(ACL.format(event="topic write bench/v1/x/event"))
            broker.restart()
            await until(lambda: bench.spool.forgotten == 2)
            assert bench.spool.refused == 0


async def test_a_wrong_password_is_told_and_never_shown(tmp_path: Path) -> None:
    passwords = password_file(tmp_path)
    extra = f"allow_anonymous false\npassword_file {passwords}\nuser root"
    with mosquitto(tmp_path, extra=extra) as broker:
        async with side(tmp_path, broker.port, username="bench", password=WRONG) as bench:
            await until(lambda: bench.changes)
            assert "Not authorized" in bench.changes[0][1]
    assert WRONG not in repr(BrokerSettings(host="h", username="bench", password=WRONG))


async def test_an_event_too_great_for_the_broker_does_not_hold_up_the_others(tmp_path: Path) -> None:
    with mosquitto(tmp_path, extra="max_packet_size 2000") as broker:
        async with side(tmp_path, broker.port) as bench:
            await until(lambda: bench.broker.connected)
            bench.spool.put(TOPICS.event, "great", b"x" * 5000)
            bench.event("e1")
            await until(lambda: bench.spool.forgotten == 1)
            assert bench.spool.refused == 1
            assert bench.ups_and_downs == [True]


async def test_a_message_that_mosquitto_refuses_for_its_size_does_not_come_back_for_ever(tmp_path: Path) -> None:
    """2.0.11 acknowledges it with 149, a reason code that an acknowledgement cannot have."""
    with mosquitto(tmp_path, extra="message_size_limit 2000") as broker:
        async with side(tmp_path, broker.port) as bench:
            await until(lambda: bench.broker.connected)
            bench.spool.put(TOPICS.event, "great", b"x" * 5000)
            bench.event("e1")
            await until(lambda: bench.spool.forgotten == 1)
            assert bench.spool.refused == 1
            assert len(bench.refused) == 1
            assert bench.ups_and_downs == [True]


async def test_a_message_that_ends_every_connection_is_given_up_and_others_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.outside.broker.SHORTEST_WAIT_S", 0.01)
    monkeypatch.setattr("benchd.outside.broker.LONGEST_WAIT_S", 0.01)

    def answer(read: bytes) -> bytes | None:
        if b"great" in read:
            return b"\x00\x00"
        if b'"told"' in read:
            return None
        return CONNACK if read[0] == 0x10 else SUBACK if b"command/+" in read else b""

    async with server(answer) as (port, connections), side(tmp_path, port) as bench:
        bench.spool.put(TOPICS.event, "great", b"great")
        bench.event("e1")
        await until(lambda: bench.spool.refused == 1)
        assert len(connections) == ATTEMPTS
        # a connection that just ends says nothing against the message that was on its way
        await until(lambda: len(connections) > 2 * ATTEMPTS)
        assert bench.spool.refused == 1
        assert bench.spool.waiting == 1


async def test_a_command_beyond_all_measure_never_reaches_the_daemon_and_a_great_one_does(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker, peer(broker.port) as client:
        async with side(tmp_path, broker.port) as bench:
            await until(lambda: bench.broker.connected)
            client.command("start", b"x" * 3_000_000)
            client.command("start", b"x" * 300_000)
            client.command("start", b"x" * 100_000)
            client.command("stop", b"{}")
            await until(lambda: len(bench.commands) == 2)
            assert sorted(len(one.payload) for one in bench.commands) == [2, 100_000]
            assert bench.broker.arrived == 2
            assert bench.ups_and_downs == [True]


async def test_a_flood_is_bounded_and_a_stop_in_it_is_obeyed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Thousands at once: what is not considered is counted, the loop turns on, and Stop goes before the rest."""
    monkeypatch.setattr("benchd.outside.broker.COMMANDS_PER_S", 100.0)
    flood, total = tmp_path / "flood", 5001
    flood.write_bytes(b"".join(b"{nonsense %d\n" % number for number in range(total - 1)))
    with mosquitto(tmp_path, extra="max_queued_messages 0") as broker, peer(broker.port) as client:
        async with side(tmp_path, broker.port) as bench:
            bench.on_command = bench.answer
            await until(lambda: bench.broker.connected)
            with flood.open("rb") as lines:
                flooding = await asyncio.create_subprocess_exec(
                    *(program("mosquitto_pub"), "-p", str(broker.port), "-l", "-t", TOPICS.command("start")),
                    stdin=lines,
                )
            await until(lambda: bench.broker.arrived > 500)
            client.command("stop")
            late_s, at = 0.0, time.monotonic()
            while bench.broker.arrived < total:
                assert len(bench.broker._others) <= ARRIVED
                await asyncio.sleep(0.001)
                late_s, at = max(late_s, time.monotonic() - at), time.monotonic()
            assert late_s < 1.0
            await until(lambda: any(one.topic == TOPICS.command("stop") for one in bench.commands), within_s=1.0)
            await flooding.wait()
            assert len(bench.commands) + bench.broker.arrivals_dropped + len(bench.broker._others) == total
            assert bench.broker.arrivals_dropped > 1000
            assert bench.ups_and_downs == [True]


async def test_a_broker_with_a_certificate_is_spoken_to_in_secret_and_another_certificate_is_refused(
    tmp_path: Path,
) -> None:
    certificate(tmp_path, "own")
    certificate(tmp_path, "other")
    extra = f"certfile {tmp_path / 'own.pem'}\nkeyfile {tmp_path / 'own.key'}\nuser root"
    with mosquitto(tmp_path, extra=extra) as broker:
        async with side(tmp_path, broker.port, ca_file=tmp_path / "own.pem") as bench:
            await until(lambda: bench.broker.connected)
            for number in range(50):
                bench.event(f"e{number}")
            await until(lambda: bench.spool.forgotten == 50)
        async with side(tmp_path, broker.port, ca_file=tmp_path / "other.pem") as bench:
            await until(lambda: bench.changes)
            assert bench.ups_and_downs == [False]
            assert "certificate" in bench.changes[0][1].lower()
    with pytest.raises((OSError, ssl.SSLError)):
        async with side(tmp_path, 1, ca_file=tmp_path / "own.key"):
            pass


async def test_a_host_is_found_by_its_name_and_an_unknown_name_is_told(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        async with side(tmp_path, broker.port, host="localhost") as bench:
            await until(lambda: bench.broker.connected)
    async with side(tmp_path, 1883, host="bench.invalid") as bench:
        await until(lambda: bench.changes)
        assert "bench.invalid:1883 cannot be reached" in bench.changes[0][1]


async def test_commands_that_share_a_tls_record_all_arrive_at_once(tmp_path: Path) -> None:
    """What the TLS layer has read already makes no socket readable."""
    certificate(tmp_path, "own")
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(tmp_path / "own.pem", tmp_path / "own.key")
    topic = TOPICS.command("stop").encode()
    publish = bytes([0x30, len(topic) + 5, 0, len(topic)]) + topic + b"\x00{}"

    def answer(read: bytes) -> bytes:
        return CONNACK if read[0] == 0x10 else SUBACK + 3 * publish if b"command/+" in read else b""

    async with server(answer, tls) as (port, _), side(tmp_path, port, ca_file=tmp_path / "own.pem") as bench:
        await until(lambda: bench.broker.connected)
        await until(lambda: len(bench.commands) == 3, within_s=1.0)
