"""What the web framework would do on its own and busbay does not want: ask outside, tell metrics or errors.

A handshake with a foreign origin makes Streamlit ask an address outside for this computer's own, so as to
compare the two: that tells the outside of the server, and stalls it where the request is swallowed.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from functools import partial
from typing import Any

from starlette.datastructures import Headers
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from streamlit import error_util, net_util
from streamlit.web.server import server
from streamlit.web.server.starlette import starlette_app

from ui.state.limits import FILE_MB, Windows, asked_from

NOT_PUBLIC = ("/_stcore/metrics",)
# RFC 7034; Content Security Policy Level 3, section 6.4.2.1
TRY_AGAIN_LATER = 1013  # RFC 6455, registry of close codes
NO_ROOM = "Too many windows of busbay are open from this address. This page tries again in 20 s."
UPLOADS = "/_stcore/upload_file/"
# in the head of a form's part (RFC 7578, section 4.2), which is in the first bytes that come
PHOTO_NAME = re.compile(rb'filename="[^"\r\n]*\.(?:png|jpe?g)"', re.IGNORECASE)
TOO_LARGE = f"a file has at most {FILE_MB} MB, unless it is a photo"
BYTES_OF_MB, FORM_BYTES = 1024 * 1024, 2048  # the second: what a form adds to its file
NO_FRAMES = ((b"x-frame-options", b"DENY"), (b"content-security-policy", b"frame-ancestors 'none'"))


class RequestGuard:
    """Answers nothing at addresses that are not public, is shown in no frame, and has room for all."""

    def __init__(self, app: ASGIApp, windows: Windows | None = None) -> None:
        self._app = app
        self._windows = windows or Windows()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "websocket":
            await self._window(scope, receive, send)
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *NO_FRAMES]
            await send(message)

        if _is_large_upload(scope):
            first = await receive()
            if not PHOTO_NAME.search(first.get("body", b"")):
                await PlainTextResponse(TOO_LARGE, 413)(scope, receive, with_headers)
                return
            receive = _beginning_with(first, receive)
        await self._answer_to(scope)(scope, receive, with_headers)

    def _answer_to(self, scope: Scope) -> ASGIApp:
        path = str(scope["path"]).rstrip("/")
        if path.endswith(NOT_PUBLIC):
            return PlainTextResponse("not found", 404)
        source, is_here = _asked_from(scope)
        is_page = "." not in path and "_stcore" not in path
        if is_page and not is_here and self._windows.is_full(source):
            return PlainTextResponse(NO_ROOM, 503, {"Retry-After": "20", "Refresh": "20"})
        return self._app

    async def _window(self, scope: Scope, receive: Receive, send: Send) -> None:
        """A page's connection: as long as it lasts a window is open."""
        source, is_here = _asked_from(scope)
        if is_here:
            await self._app(scope, receive, send)
            return
        with self._windows.one_more(source) as fits:
            if fits:
                await self._app(scope, receive, send)
            else:
                await send({"type": "websocket.close", "code": TRY_AGAIN_LATER})


def _is_large_upload(scope: Scope) -> bool:
    """Whether a file comes in that is larger than all but photos may be: fields ask the browser alone."""
    length = Headers(scope=scope).get("content-length", "")
    is_small = length.isdigit() and int(length) <= FILE_MB * BYTES_OF_MB + FORM_BYTES
    return scope["method"] == "PUT" and UPLOADS in scope["path"] and not is_small


def _beginning_with(first: Message, receive: Receive) -> Receive:
    """What is received, of which the first message was read already."""
    waiting = [first]

    async def again() -> Message:
        return waiting.pop() if waiting else await receive()

    return again


def _asked_from(scope: Scope) -> tuple[str, bool]:
    client = scope.get("client")
    return asked_from(client[0] if client else None, Headers(scope=scope))


def guard_the_server(tell_error: Callable[[Exception], bool]) -> None:
    """Have the server of this process ask no outside address, tell no metrics and refuse frames.

    `tell_error` shows what went wrong with a page, and logs it, in place of the framework's own words.
    """
    logging.getLogger(error_util.__name__).addFilter(lambda record: not record.exc_info)
    net_util.get_external_ip = _unknown
    usual = starlette_app.create_streamlit_middleware

    def guarded() -> list[Middleware]:
        return [Middleware(RequestGuard), *usual()]

    starlette_app.create_streamlit_middleware = guarded
    streamlit: Any = server
    streamlit.RuntimeConfig = partial(streamlit.RuntimeConfig, on_script_error=tell_error)


def _unknown() -> None:
    """Stand for this computer's address outside: whoever serves there names it as an allowed origin."""
