"""A connected TCP socket, with or without TLS, made beside everything else. It must never block on a name or a peer."""

import asyncio
import contextlib
import os
import socket
import ssl
import threading
from collections.abc import Sequence
from typing import Any, TypeAlias

SOCKET_BYTES = (
    65_536  # what the kernel holds each way: old values are worth nothing, and a flood is felt where it starts
)
_Address: TypeAlias = tuple[socket.AddressFamily, socket.SocketKind, int, str, Any]


async def connected_socket(host: str, port: int, *, tls: ssl.SSLContext | None) -> socket.socket:
    """Connected, non-blocking, without delay of small messages; with `tls` the peer has shown its certificate.

    Raises OSError (also `ssl.SSLError`): that of the last address when none answers. Cancelled, it leaves nothing open.
    """
    failure = OSError(f"{host} has no address")
    for family, kind, protocol, _, address in await _addresses(host, port):
        made = socket.socket(family, kind, protocol)
        try:
            made.setblocking(False)
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            made.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SOCKET_BYTES)
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SOCKET_BYTES)
            await asyncio.get_running_loop().sock_connect(made, address)
            if tls is None:
                return made
            made = tls.wrap_socket(made, server_hostname=host, do_handshake_on_connect=False)
            await _handshake(made)
        except OSError as error:
            made.close()
            failure = error
        except BaseException:
            made.close()
            raise
        else:
            return made
    raise failure


def cause_of(error: OSError) -> str:
    """Why, in the system's words."""
    if isinstance(error, ssl.SSLError | socket.gaierror) or not error.errno:
        return error.strerror or str(error) or type(error).__name__
    return os.strerror(error.errno)  # asyncio puts the address where the words should be


async def _addresses(host: str, port: int) -> Sequence[_Address]:
    with contextlib.suppress(socket.gaierror):
        return socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_NUMERICHOST)
    loop = asyncio.get_running_loop()
    found: asyncio.Future[Sequence[_Address] | OSError] = loop.create_future()

    def look() -> None:
        told: Sequence[_Address] | OSError
        try:
            told = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except OSError as error:
            told = error
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody asks any more
            loop.call_soon_threadsafe(_settle, found, told)

    # a name server that is away takes its time: not an executor's thread, which whoever leaves would wait for
    threading.Thread(target=look, name=f"address of {host}", daemon=True).start()
    told = await found
    if isinstance(told, OSError):
        raise told
    return told


async def _handshake(made: ssl.SSLSocket) -> None:
    loop = asyncio.get_running_loop()
    while True:
        ready: asyncio.Future[None] = loop.create_future()
        try:
            made.do_handshake()
        except ssl.SSLWantReadError:
            loop.add_reader(made, _settle, ready, None)
            try:
                await ready
            finally:
                loop.remove_reader(made)
        except ssl.SSLWantWriteError:
            loop.add_writer(made, _settle, ready, None)
            try:
                await ready
            finally:
                loop.remove_writer(made)
        else:
            return


def _settle(future: "asyncio.Future[Any]", result: object) -> None:
    if not future.done():
        future.set_result(result)
