"""What the web framework would do on its own and busbay does not want: ask outside, tell metrics or errors.

A handshake with a foreign origin makes Streamlit ask an address outside for this computer's own, so as to
compare the two: that tells the outside of the server, and stalls it where the request is swallowed.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from streamlit import net_util
from streamlit.web.server import server
from streamlit.web.server.starlette import starlette_app

NOT_PUBLIC = ("/_stcore/metrics",)
# RFC 7034; Content Security Policy Level 3, section 6.4.2.1
NO_FRAMES = ((b"x-frame-options", b"DENY"), (b"content-security-policy", b"frame-ancestors 'none'"))


class RequestGuard:
    """Answers nothing at the addresses that are not public, and refuses to be shown in a frame."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *NO_FRAMES]
            await send(message)

        is_public = not str(scope["path"]).rstrip("/").endswith(NOT_PUBLIC)
        answer = self._app if is_public else PlainTextResponse("not found", 404)
        await answer(scope, receive, with_headers)


def guard_the_server(tell_error: Callable[[Exception], bool]) -> None:
    """Have the server of this process ask no outside address, tell no metrics and refuse frames.

    `tell_error` shows what went wrong with a page, in place of the framework's own words.
    """
    net_util.get_external_ip = _unknown
    usual = starlette_app.create_streamlit_middleware

    def guarded() -> list[Middleware]:
        return [Middleware(RequestGuard), *usual()]

    starlette_app.create_streamlit_middleware = guarded
    streamlit: Any = server
    streamlit.RuntimeConfig = partial(streamlit.RuntimeConfig, on_script_error=tell_error)


def _unknown() -> None:
    """Stand for this computer's address outside: whoever serves there names it as an allowed origin."""
