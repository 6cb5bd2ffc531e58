"""Diagnostics over IP (ISO 13400-2): the car's diagnostic connector as a gateway on TCP and UDP.

A module's logical address is its CAN request identifier, EVERY_MODULE reaches all of them at once. A message
is acknowledged when its last frame is on the bus. Where no frame gets on the bus (no power at the connector,
a line that is open, no other node to acknowledge) the answer is "target unreachable", where the module does
not grant flow control "transport protocol error". A module that gets the request and keeps silent is silent
here too: to notice that is the client's part, by P2.

One thread serves all connections. It is bounded: the number of connections, of requests of each
that are not acknowledged yet, and of bytes that a client has not fetched are bounded.

Not modeled: TLS, authentication, several gateways in one car; an entity's own diagnostic server.
"""

from __future__ import annotations

import asyncio
import os
import random
import socket
import threading
from collections.abc import Callable
from functools import partial
from typing import Final

from sim.link.adapter import MAX_FUNCTIONAL_BYTES, Adapter
from sim.link.realtime import RealTime
from sim.network import doip
from sim.network.doip import (
    EVERY_MODULE,
    DiagnosticNackCode,
    Entity,
    Header,
    HeaderFault,
    Payload,
    PowerModeState,
    Routing,
)
from sim.vehicle.problems import Problem

SOCKETS: Final = 64  # connections with routing; our own choice, the standard leaves it open
SPARE_SOCKETS: Final = 1  # one more is heard, so that it can be told that none is left
MAX_UNACKNOWLEDGED: Final = 64  # requests of one client: one to every module of a large car
MAX_UNSENT_BYTES: Final = 64 * 1024  # here, and as many in the system; who leaves more lying is cut off
FAREWELL_S: Final = 2.0  # for a client to fetch the last answer
MAX_UDP_WAITING: Final = 64
RETRY_S: Final = 0.1
SKIP_BYTES: Final = 4096
ALL_ADDRESSES: Final = "255.255.255.255"  # limited broadcast, where announcements go on a real network


class _Client:
    """One TCP connection."""

    def __init__(self, writer: asyncio.StreamWriter, on_silence: Callable[[_Client], None]) -> None:
        self.writer = writer
        self.version = doip.VERSION
        self.source: int | None = None  # its logical address, once routing is active
        self.unacknowledged = 0
        self.activating = False
        self.alive = asyncio.Event()
        self._on_silence = on_silence
        self._timer = asyncio.get_running_loop().call_later(doip.INITIAL_INACTIVITY_S, on_silence, self)

    @property
    def gone(self) -> bool:
        """Is the connection closed, or being closed?"""
        return self.writer.is_closing()

    def send(self, data: bytes) -> None:
        """Send, or disconnect a client that does not fetch what it asked for."""
        if self.gone:
            return
        self.writer.write(data)
        if self.writer.transport.get_write_buffer_size() > MAX_UNSENT_BYTES:
            self.writer.transport.abort()
        self.stir()

    def stir(self) -> None:
        """Something passed on an active connection: its inactivity timer starts anew."""
        if self.source is not None:
            self._timer.cancel()
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(doip.GENERAL_INACTIVITY_S, self._on_silence, self)

    def close(self) -> None:
        """Send what waits, then close; a client that does not fetch it is cut off."""
        self._timer.cancel()
        if not self.gone:
            self.writer.close()
            asyncio.get_running_loop().call_later(FAREWELL_S, self.writer.transport.abort)


class DoipServer:
    """Serves one live car on `host`:`port` (0: any free port; `port` tells which).

    announce_port: UDP port at which testers wait for announcements; they go to everybody on a real network,
    and only to this computer on a loopback address. Raises `Problem` where it cannot listen.
    """

    def __init__(
        self,
        car: RealTime,
        adapter: Adapter,
        entity: Entity,
        host: str = "127.0.0.1",
        port: int = doip.PORT,
        announce_port: int = doip.PORT,
    ) -> None:
        self.host = host
        self.port = port
        self.entity = entity
        self._announce_to = (host if is_loopback(host) else ALL_ADDRESSES, announce_port)
        self._car = car
        self._adapter = adapter
        self._clients: dict[_Client, None] = {}
        self._by_source: dict[int, _Client] = {}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="diagnostics over IP", daemon=True)
        self._ready = threading.Event()
        self._stop = asyncio.Event()
        self._problem = ""
        self.failure = ""  # what went wrong inside this server, which nothing from outside may bring about
        self._loop.set_exception_handler(self._note_failure)

    def start(self) -> None:
        """Listen."""
        self._thread.start()
        self._ready.wait()
        if self._problem:
            self._thread.join()
            raise Problem(self._problem)

    def stop(self) -> None:
        """Close every connection and listen no more."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(timeout=10)

    @property
    def connections(self) -> int:
        """Connections now open."""
        return len(self._clients)

    def _run(self) -> None:
        try:
            self._loop.run_until_complete(self._serve())
        except OSError as error:
            reason = os.strerror(error.errno) if error.errno else str(error)
            self._problem = f"cannot listen on {self.host} port {self.port}: {reason}"
        finally:
            self._ready.set()
            self._loop.close()

    async def _serve(self) -> None:
        server = await asyncio.start_server(self._connected, self.host, self.port, limit=2 * SKIP_BYTES)
        self.port = server.sockets[0].getsockname()[1]
        try:
            udp, _ = await self._loop.create_datagram_endpoint(
                partial(_Datagrams, self), (self.host, self.port), allow_broadcast=True
            )
        except OSError:
            server.close()
            raise
        self._ready.set()
        announcing = asyncio.create_task(self._announce(udp))
        await self._stop.wait()
        announcing.cancel()
        server.close()
        udp.close()
        for client in list(self._clients):
            client.writer.transport.abort()
        await server.wait_closed()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    # -- from and to the car's thread ------------------------------------------------------------------

    def _tell(self, call: Callable[..., None], *values: object) -> None:
        """From the car's thread: have something done in this server's thread, if it still runs."""
        if not self._stop.is_set():
            self._loop.call_soon_threadsafe(call, *values)

    async def _awake(self, client: _Client) -> bool:
        """Hold the car awake for one more client; False where the car does not react."""
        awake = asyncio.Event()
        if not self._car.post(partial(self._adapter.hold, client, partial(self._tell, awake.set))):
            return False
        client.activating = True
        await awake.wait()
        client.activating = False
        return True

    def _release(self, client: _Client) -> None:
        if self._car.running and not self._car.post(partial(self._adapter.release, client)):
            self._loop.call_later(RETRY_S, self._release, client)

    def _note_failure(self, loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        self.failure = self.failure or f"{context['message']}: {context.get('exception')!r}"

    # -- UDP -------------------------------------------------------------------------------------------

    async def _announce(self, udp: asyncio.DatagramTransport) -> None:
        await asyncio.sleep(random.uniform(0, doip.ANNOUNCE_WAIT_S))
        for _ in range(doip.ANNOUNCEMENTS):
            if self._announce_to != (self.host, self.port):  # only this server would hear that
                udp.sendto(self.entity.announcement(), self._announce_to)
            await asyncio.sleep(doip.ANNOUNCE_INTERVAL_S)

    def power_mode_state(self) -> PowerModeState:
        """Whether the car is in a state to be diagnosed: the ignition is on."""
        masters = [module.master for module in self._car.bench.live.modules.values() if module.master]
        if not masters:
            return PowerModeState.NOT_SUPPORTED
        return PowerModeState.READY if masters[0].mode == "run" else PowerModeState.NOT_READY

    # -- TCP -------------------------------------------------------------------------------------------

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        client = _Client(writer, _Client.close)
        if len(self._clients) >= SOCKETS + SPARE_SOCKETS:
            client.close()
            return
        self._clients[client] = None
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, MAX_UNSENT_BYTES)
        try:
            while not client.gone:
                header = Header.read(await reader.readexactly(doip.HEADER_BYTES))
                fault = header.fault(doip.TCP_LENGTHS)
                if fault is None:
                    payload = await reader.readexactly(header.length)
                    client.version = header.version
                    client.stir()
                    await self._message(client, header.payload, payload)
                    await asyncio.sleep(0)  # a client with much to say lets others have their turn
                else:
                    await self._malformed(client, reader, header, fault)
        except (asyncio.IncompleteReadError, ConnectionError, TimeoutError, asyncio.CancelledError):
            pass  # the client has gone, which it may at any time, or this server stops
        finally:
            client.close()
            del self._clients[client]
            self._forget(client)

    async def _malformed(
        self, client: _Client, reader: asyncio.StreamReader, header: Header, fault: HeaderFault
    ) -> None:
        """Refuse a message by its header: close, or leave out its payload and go on."""
        if header.payload != Payload.HEADER_NACK:
            client.send(doip.header_nack(fault, client.version))
        if fault in (HeaderFault.PATTERN, HeaderFault.LENGTH):
            client.close()
            return
        left = header.length
        while left:
            skipped = await reader.read(min(left, SKIP_BYTES))
            if not skipped:
                raise ConnectionResetError
            left -= len(skipped)

    async def _message(self, client: _Client, payload: int, data: bytes) -> None:
        if payload == Payload.ACTIVATE_ROUTING:
            await self._activate(client, int.from_bytes(data[:2], "big"), data[2])
        elif payload == Payload.ALIVE_CHECK:
            client.send(doip.message(Payload.ALIVE_ANSWER, doip.ENTITY_ADDRESS.to_bytes(2, "big")))
        elif payload == Payload.ALIVE_ANSWER:
            if int.from_bytes(data, "big") == client.source:
                client.alive.set()
        elif payload == Payload.DIAGNOSTIC:
            source, target = int.from_bytes(data[:2], "big"), int.from_bytes(data[2:4], "big")
            self._diagnose(client, source, target, data[doip.ADDRESSES_BYTES :])

    async def _activate(self, client: _Client, source: int, kind: int) -> None:
        code = await self._routing_code(client, source, kind)
        client.send(doip.routing_answer(source, code, client.version))
        if code != Routing.ACTIVATED:
            client.close()

    async def _routing_code(self, client: _Client, source: int, kind: int) -> Routing:
        code = doip.routing_code(source, kind, client.source)
        if code != Routing.ACTIVATED or client.source == source:
            return code
        if source in self._by_source and await self._is_alive(self._by_source[source]):
            return Routing.SOURCE_IN_USE
        if len(self._by_source) >= SOCKETS:
            await asyncio.gather(*map(self._is_alive, list(self._by_source.values())))
        if len(self._by_source) >= SOCKETS or source in self._by_source:
            return Routing.NO_SOCKET_LEFT
        if client.gone:
            raise ConnectionResetError
        client.source = source
        client.stir()
        self._by_source[source] = client
        return Routing.ACTIVATED if await self._awake(client) else Routing.NO_SOCKET_LEFT

    async def _is_alive(self, client: _Client) -> bool:
        """Alive check: clients that do not answer in time are disconnected."""
        if client.activating:
            return True
        client.alive.clear()
        client.send(doip.message(Payload.ALIVE_CHECK, b"", client.version))
        try:
            await asyncio.wait_for(client.alive.wait(), doip.ALIVE_CHECK_S)
        except TimeoutError:
            client.writer.transport.abort()
            self._forget(client)
            return False
        return True

    def _forget(self, client: _Client) -> None:
        """Routing of this connection ends; once for each that had it."""
        if client.source is not None and self._by_source.get(client.source) is client:
            del self._by_source[client.source]
            self._release(client)

    def _diagnose(self, client: _Client, source: int, target: int, data: bytes) -> None:
        refusal = self._refusal(client, source, target, data)
        if refusal is None:
            client.unacknowledged += 1
            if not self._car.post(partial(self._put, client, target, data)):
                self._acknowledge(client, target, DiagnosticNackCode.OUT_OF_MEMORY)
            return
        client.send(doip.acknowledge(target, source, refusal, client.version))
        if refusal is DiagnosticNackCode.SOURCE:
            client.close()

    def _refusal(self, client: _Client, source: int, target: int, data: bytes) -> DiagnosticNackCode | None:
        if client.source is None or source != client.source:
            return DiagnosticNackCode.SOURCE
        if target != EVERY_MODULE and target not in self._adapter.addresses:
            return DiagnosticNackCode.UNKNOWN_TARGET
        if target == EVERY_MODULE and len(data) > MAX_FUNCTIONAL_BYTES:
            return DiagnosticNackCode.TOO_LARGE
        if client.unacknowledged >= MAX_UNACKNOWLEDGED:
            return DiagnosticNackCode.OUT_OF_MEMORY
        return None

    def _put(self, client: _Client, target: int, data: bytes) -> None:
        """In the car's thread: put the request on the car's wires."""
        on_sent = partial(self._tell, self._acknowledge, client, target)
        on_answer = partial(self._tell, self._answer, client)
        if target == EVERY_MODULE:
            self._adapter.ask_all(data, on_sent, on_answer)
        else:
            self._adapter.ask(target, data, on_sent, partial(on_answer, target))

    def _acknowledge(self, client: _Client, target: int, refusal: DiagnosticNackCode | None) -> None:
        client.unacknowledged -= 1
        client.send(doip.acknowledge(target, client.source or 0, refusal, client.version))

    def _answer(self, client: _Client, module: int, data: bytes) -> None:
        client.send(doip.diagnostic(module, client.source or 0, data, client.version))


class _Datagrams(asyncio.DatagramProtocol):
    """The UDP side: who is there, and in what state."""

    def __init__(self, server: DoipServer) -> None:
        self._server = server
        self._waiting = 0
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        # until Python 3.12 asyncio's own datagram transport does not derive from DatagramTransport
        """Keep the transport to answer through."""
        self._transport = transport  # type: ignore[assignment]

    def datagram_received(self, data: bytes, address: tuple[str, int]) -> None:
        """Answer one datagram."""
        if len(data) < doip.HEADER_BYTES or self._waiting >= MAX_UDP_WAITING:
            return
        header = Header.read(data)
        fault = header.fault(doip.UDP_LENGTHS)
        if fault is None and header.length != len(data) - doip.HEADER_BYTES:
            fault = HeaderFault.LENGTH
        if header.payload == Payload.HEADER_NACK:
            return
        version = header.version if header.version in doip.VERSIONS else doip.VERSION
        if fault is not None:
            self._send(address, doip.header_nack(fault, version))
        elif header.payload == Payload.ENTITY_STATUS:
            self._send(address, doip.entity_status(SOCKETS, self._server.connections, version))
        elif header.payload == Payload.POWER_MODE:
            self._send(address, doip.power_mode(self._server.power_mode_state(), version))
        elif self._server.entity.is_meant(header.payload, data[doip.HEADER_BYTES :]):
            self._waiting += 1
            answer = self._server.entity.announcement(version)
            wait_s = random.uniform(0, doip.ANNOUNCE_WAIT_S)
            asyncio.get_running_loop().call_later(wait_s, self._later, address, answer)

    def error_received(self, error: Exception) -> None:
        """The other side listens no more; nothing is owed to it."""

    def _later(self, address: tuple[str, int], answer: bytes) -> None:
        self._waiting -= 1
        self._send(address, answer)

    def _send(self, address: tuple[str, int], data: bytes) -> None:
        if self._transport and not self._transport.is_closing():
            self._transport.sendto(data, address)


def is_loopback(host: str) -> bool:
    """Does this address reach only programs on this computer?"""
    try:
        found = socket.getaddrinfo(host, None)
    except OSError:
        return False
    return all(str(entry[4][0]).startswith("127.") or entry[4][0] == "::1" for entry in found)
