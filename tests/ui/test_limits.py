"""One address has so many windows and joins; a class behind one address has room, this computer no limit."""

import asyncio
from typing import Any

import pytest

from sim.vehicle.problems import Problem
from ui.guard import NO_ROOM, TRY_AGAIN_LATER, RequestGuard
from ui.state.limits import MOST_JOINS, MOST_WINDOWS, Allowance, Windows, asked_from

SCHOOL, HOME = "198.51.100.7", "203.0.113.9"  # RFC 5737


class Server:
    """The guard before a page whose windows stay open until `over`."""

    def __init__(self, most: int, in_all: int = 100) -> None:
        self.over = asyncio.Event()
        self.guard = RequestGuard(self._page, Windows(most, in_all))
        self.answers: list[Any] = []

    async def _page(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            await self.over.wait()
        else:
            await send({"type": "http.response.start", "status": 200})

    async def ask(self, kind: str, address: str, path: str = "/", **headers: str) -> None:
        """Ask for a page or open a window."""
        told = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
        scope = {"type": kind, "path": path, "client": (address, 1), "headers": told, "method": "GET"}

        async def send(message: Any) -> None:
            self.answers.append(message.get("status") or message.get("code") or message["type"])

        await self.guard(scope, lambda: None, send)  # type: ignore[arg-type, return-value]

    async def windows(self, number: int, address: str, **headers: str) -> list["asyncio.Task[None]"]:
        """Open windows that stay open."""
        tasks = [asyncio.create_task(self.ask("websocket", address, **headers)) for _ in range(number)]
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        return tasks


def answers(*asked: tuple[str, str, dict[str, str]], most: int = 3, in_all: int = 100) -> list[Any]:
    """What the guard answers, all windows open at once."""

    async def run() -> list[Any]:
        server = Server(most, in_all)
        tasks = []
        for kind, address, headers in asked:
            if kind == "websocket":
                tasks += await server.windows(1, address, **headers)
            else:
                await server.ask(kind, address, **headers)
        server.over.set()
        await asyncio.gather(*tasks)
        return [one for one in server.answers if one != "http.response.body"]

    return asyncio.run(run())


def test_one_address_has_so_many_windows_and_others_have_room() -> None:
    """The fourth of three gets no connection, and a page that says so; another address and this one do."""
    school = ("websocket", SCHOOL, {})
    told = answers(school, school, school, school, ("http", SCHOOL, {}), ("http", HOME, {}),
                   ("websocket", HOME, {}), ("websocket", "127.0.0.1", {}))  # fmt: skip
    yes = "websocket.accept"
    assert [yes, yes, yes, TRY_AGAIN_LATER, 503, 200, yes, yes] == told
    assert "tries again" in NO_ROOM


def test_behind_a_proxy_of_this_computer_each_is_counted_alone() -> None:
    """Its word is believed; the word of any other computer is not, so no one gets room by saying it."""
    proxied = [("websocket", "127.0.0.1", {"x_forwarded_for": address}) for address in (SCHOOL, SCHOOL, HOME)]
    yes = "websocket.accept"
    assert [yes, TRY_AGAIN_LATER, yes] == answers(*proxied, most=1)
    lied = [("websocket", SCHOOL, {"x_forwarded_for": f"192.0.2.{k}"}) for k in range(2)]
    assert [yes, TRY_AGAIN_LATER] == answers(*lied, most=1)


def test_all_together_have_a_limit_and_what_is_closed_makes_room() -> None:
    """Windows of many addresses count together; after they are closed there is room again."""
    windows = Windows(5, 2)
    with windows.one_more("a") as one, windows.one_more("b") as other:
        assert (True, True) == (one, other)
        with windows.one_more("c") as third:
            assert not third
    assert not windows.is_full("c")


def test_a_class_behind_one_address_joins_and_a_flood_does_not() -> None:
    """Forty join five times in an hour; then it is too much, and in the next hour there is room again."""
    now_s = [0.0]
    joins = Allowance(MOST_JOINS, 3600.0, lambda: now_s[0])
    for _ in range(5 * 40):
        joins.take(SCHOOL)
        now_s[0] += 1.0
    with pytest.raises(Problem, match=r"too many have joined from this address: wait \d+ min"):
        joins.take(SCHOOL)
    joins.take(HOME)
    now_s[0] += 3600.0
    joins.take(SCHOOL)
    assert 3 * 40 <= MOST_WINDOWS


def test_who_is_this_computer() -> None:
    """A loopback address is, unless a proxy speaks for another."""
    assert ("127.0.0.1", True) == asked_from(None, {})
    assert (HOME, False) == asked_from("127.0.0.1", {"X-Forwarded-For": f"10.0.0.1, {HOME}"})
