"""The server calls no outside address, tells no metrics, and is shown in no frame."""

import socket
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from tests.ui.browser import front_end


class Outside:
    """All that lies outside: where every request of the server for another address would arrive."""

    def __init__(self) -> None:
        self.asked: list[bytes] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            line, _ = self._listener.accept()
            self.asked.append(line.recv(200))
            line.close()


@pytest.fixture(scope="module")
def outside() -> Outside:
    return Outside()


@pytest.fixture(scope="module")
def address(outside: Outside) -> Iterator[str]:
    proxies = dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), outside.address)
    with front_end(**proxies, no_proxy="", NO_PROXY="") as served:
        yield served


def test_a_foreign_origin_is_refused_and_nobody_is_asked(address: str, outside: Outside) -> None:
    """A handshake from another site's page gets no connection, and the server asks no address outside."""
    with pytest.raises(InvalidStatus) as refused:
        connect(f"{address.replace('http', 'ws', 1)}/_stcore/stream", origin="https://evil.example")
    assert 403 == refused.value.response.status_code
    assert [] == outside.asked


@pytest.mark.parametrize("path", ["_stcore/metrics", "_stcore/metrics/"])
def test_metrics_are_not_public(address: str, path: str) -> None:
    """Who asks for metrics finds nothing there."""
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(f"{address}/{path}", timeout=30)
    with refused.value as answer:
        assert 404 == answer.code


@pytest.mark.parametrize("path", ["", "_stcore/health", "static/no-such-file"])
def test_no_page_may_be_framed(address: str, path: str) -> None:
    """RFC 7034 and CSP Level 3: every answer refuses to be shown inside another page."""
    try:
        with urllib.request.urlopen(f"{address}/{path}", timeout=30) as answer:
            told = answer.headers
    except urllib.error.HTTPError as refused:
        with refused:
            told = refused.headers
    assert ("DENY", "frame-ancestors 'none'") == (told["X-Frame-Options"], told["Content-Security-Policy"])
