"""A learning record store on this computer, for tests of what is sent to one."""

from __future__ import annotations

import base64
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

USERNAME, SECRET = "busbay", "a secret, not shown"


@dataclass
class LearningRecordStore:
    """What has come in. `answers`: codes with which the next requests are refused, nothing being kept."""

    address: str = ""
    kept: dict[str, dict[str, Any]] = field(default_factory=dict)
    headers: list[dict[str, str]] = field(default_factory=list)
    answers: list[int] = field(default_factory=list)
    refused_ids: set[str] = field(default_factory=set)
    loses_answers: bool = False

    def take(self, statements: list[dict[str, Any]]) -> int:
        """Keep all or none; the answer's code (xAPI 1.0.3, part three, 2.1)."""
        if any(one["id"] in self.refused_ids for one in statements):
            return 400
        if any(self.kept.get(one["id"], one) != one for one in statements):
            return 409
        self.kept |= {one["id"]: one for one in statements}
        return 200


@contextmanager
def learning_record_store() -> Iterator[LearningRecordStore]:
    """A store that listens on this computer."""
    store = LearningRecordStore()
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(store))
    server.daemon_threads = True
    store.address = f"http://127.0.0.1:{server.server_address[1]}/xapi"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield store
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _handler(store: LearningRecordStore) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self._answer(200, {"version": ["1.0.3", "2.0.0"]})

        def do_POST(self) -> None:
            self._take(json.loads(self._body()), 200)

        def do_PUT(self) -> None:
            one = json.loads(self._body())
            assert [one["id"]] == parse_qs(urlsplit(self.path).query)["statementId"]
            self._take([one], 204)

        def _body(self) -> bytes:
            return self.rfile.read(int(self.headers["Content-Length"]))

        def _take(self, statements: list[dict[str, Any]], well: int) -> None:
            store.headers.append(dict(self.headers))
            known = "Basic " + base64.b64encode(f"{USERNAME}:{SECRET}".encode()).decode()
            if store.answers:
                self._answer(store.answers.pop(0), {})
            elif self.headers["Authorization"] != known:
                self._answer(401, {})
            else:
                code = store.take(statements)
                if store.loses_answers:
                    store.loses_answers = False
                    self.close_connection = True
                    return
                self._answer(well if code == 200 else code, [one["id"] for one in statements])

        def _answer(self, code: int, told: Any) -> None:
            data = b"" if code == 204 else json.dumps(told).encode()
            self.send_response(code)
            self.send_header("Content-Type", "application/json")
            if code == 302:
                self.send_header("Location", store.address)
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, *args: Any) -> None:
            """Say nothing."""

    return Handler
