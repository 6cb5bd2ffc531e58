"""A browser without a screen: one visit of the front end over its own websocket, as fast as the server is.

    with Visitor(address, "bay") as visitor:
        visitor.press("wait 10")
        print(visitor.text, visitor.answers_s)

It speaks what Streamlit's page speaks (protobuf messages of the installed version), keeps what the page would
show, and, where `keeps` is set, every byte that came: what is not in `received` never reached the student.

Not modeled: the browser's cache of messages, cookies, drawing.
"""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request
import uuid
from collections.abc import Iterator, Mapping
from http.cookiejar import CookieJar
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlencode

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState
from websockets.sync.client import connect

EARLY = ForwardMsg.FINISHED_EARLY_FOR_RERUN
WIDGETS = (
    "button", "text_input", "text_area", "selectbox", "multiselect", "checkbox", "number_input", "radio",
    "button_group", "slider", "bidi_component", "file_uploader", "download_button",
)  # fmt: skip
PATIENCE_S = 120.0
REFUSED_EARLY = 413  # content too large, RFC 9110 section 15.5.14


class Visitor:
    """One visit. `elements`: what stands on the page, by place; `answers_s`: how long each answer took.

    `waits`: what is chosen or typed is answered before anything else is done; otherwise it reaches the server
    together with the next click, as from a quick hand.
    """

    def __init__(
        self,
        address: str,
        page: str = "",
        query: str = "",
        keeps: bool = False,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        self.address = address
        self.query = query
        self.answers_s: list[float] = []
        self.received: list[bytes] = []
        self.exceptions: list[str] = []
        self.elements: dict[tuple[int, ...], tuple[Any, str, str]] = {}
        self.pages: dict[str, str] = {}
        self.repeats: dict[str, float] = {}
        self.waits = True
        self._keeps = keeps
        self._page_name, self._page_hash = page, ""
        self._states: dict[str, WidgetState] = {}
        self._run = ""
        self._session = ""
        self._socket = connect(
            f"{address.replace('http', 'ws', 1)}/_stcore/stream",
            subprotocols=["streamlit"],  # type: ignore[list-item]
            max_size=None,
            # as a browser does: read all that comes at once, and ask for no sign of life
            max_queue=None,
            ping_interval=None,
            legacy=True,
            additional_headers=headers,
        )

    def __enter__(self) -> Self:
        self._ask(self._page_name)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Leave."""
        self._socket.close()

    # -- what stands on the page -----------------------------------------------------------------------

    def all(self, kind: str) -> Iterator[Any]:
        """All elements of a kind, in order of their places."""
        for _, (element, _, _) in sorted(self.elements.items(), key=lambda item: item[0]):
            if element.WhichOneof("type") == kind:
                yield getattr(element, kind)

    def keys(self, kind: str) -> list[str]:
        """The keys of all widgets of a kind that are not disabled."""
        return [_key(one.id) for one in self.all(kind) if not getattr(one, "disabled", False)]

    def has(self, key: str) -> bool:
        """Is there a widget with this key?"""
        return any(_key(one.id) == key for kind in WIDGETS for one in self.all(kind))

    @property
    def text(self) -> str:
        """Everything readable on the page."""
        words = []
        for _, (element, _, _) in sorted(self.elements.items(), key=lambda item: item[0]):
            words.append(_words(element))
        return "\n".join(filter(None, words))

    # -- what a visitor does ---------------------------------------------------------------------------

    def press(self, key: str) -> None:
        """Press the button with this key, or one that sends a form, by its words."""
        found = [
            (place, one)
            for kind in ("button", "download_button")
            for place, one in self._placed(kind)
            if key in (_key(one.id), one.label) and not one.disabled
        ]
        if not found:
            raise LookupError(f"no button '{key}'; there are {self.keys('button')}")
        place, one = found[0]
        state = WidgetState(id=one.id, trigger_value=True)
        self._ask(fragment=self.elements[place][1], triggers=[state])

    def fill(self, key: str, value: str | float) -> None:
        """Type into a field; where it is part of a form, nothing is sent yet."""
        for kind in ("text_input", "text_area", "number_input"):
            for place, one in self._placed(kind):
                if _key(one.id) == key:
                    state = WidgetState(id=one.id)
                    if kind == "number_input":
                        state.double_value = float(value)
                    else:
                        state.string_value = str(value)
                    self._set(place, state, bool(one.form_id))
                    return
        raise LookupError(f"no field '{key}'")

    def choose(self, key: str, *options: str) -> None:
        """Choose from a list, from a group of buttons or several from a list."""
        for kind in ("selectbox", "radio", "button_group", "multiselect"):
            for place, one in self._placed(kind):
                if _key(one.id) == key:
                    state = WidgetState(id=one.id)
                    if kind in ("selectbox", "radio"):
                        state.string_value = options[0]
                    else:
                        state.string_array_value.data.extend(options)
                    self._set(place, state, bool(one.form_id))
                    return
        raise LookupError(f"no list '{key}'")

    def tick(self, key: str, on: bool = True) -> None:
        """Tick a box or take its tick away."""
        for place, one in self._placed("checkbox"):
            if _key(one.id) == key:
                self._set(place, WidgetState(id=one.id, bool_value=on), bool(one.form_id))
                return
        raise LookupError(f"no box '{key}'")

    def pick(self, key: str, ident: str) -> None:
        """Pick something on a sheet."""
        for place, one in self._placed("bidi_component"):
            if _key(one.id) == key:
                state = WidgetState(id=f"$$STREAMLIT_INTERNAL_KEY_{one.id}__events")
                state.json_trigger_value = json.dumps([{"event": "pick", "value": ident}])
                self._ask(fragment=self.elements[place][1], triggers=[state])
                return
        raise LookupError(f"no sheet '{key}'")

    def go(self, page: str) -> None:
        """Open another page by its path."""
        if page not in self.pages:
            raise LookupError(f"no page '{page}'; there are {list(self.pages)}")
        self._page_hash = self.pages[page]
        self._ask(page)

    def repeat(self) -> None:
        """What the page does by itself every few seconds."""
        for fragment in list(self.repeats):
            if fragment not in self.repeats:  # the whole page was drawn again
                return
            self._ask(fragment=fragment, by_itself=True)

    def download(self, address: str) -> bytes:
        """A file or picture that the page points at."""
        with urllib.request.urlopen(f"{self.address}{address}", timeout=30) as answer:
            return bytes(answer.read())

    def upload(self, key: str, name: str, content: bytes) -> int:
        """Send a file to an uploader; the status of the answer."""
        place, one = next((place, one) for place, one in self._placed("file_uploader") if _key(one.id) == key)
        request = BackMsg()
        request.file_urls_request.request_id = uuid.uuid4().hex
        request.file_urls_request.file_names.append(name)
        request.file_urls_request.session_id = self._session
        self._socket.send(request.SerializeToString())
        while True:
            message = self._next()
            if message.WhichOneof("type") == "file_urls_response":
                break
        urls = message.file_urls_response.file_urls[0]
        status = _put(self.address, f"{self.address}{urls.upload_url}", name, content)
        if status < 300:
            state = WidgetState(id=one.id)
            info = state.file_uploader_state_value.uploaded_file_info.add()
            info.name, info.size = name, len(content)
            info.file_id = urls.file_id
            info.file_urls.CopyFrom(urls)
            self._set(place, state, bool(one.form_id))
        return status

    # -- the conversation ------------------------------------------------------------------------------

    def _placed(self, kind: str) -> list[tuple[tuple[int, ...], Any]]:
        return [
            (place, getattr(element, kind))
            for place, (element, _, _) in sorted(self.elements.items(), key=lambda item: item[0])
            if element.WhichOneof("type") == kind
        ]

    def _set(self, place: tuple[int, ...], state: WidgetState, in_form: bool) -> None:
        self._states[state.id] = state
        if self.waits and not in_form:
            self._ask(fragment=self.elements[place][1])

    def _ask(
        self,
        page: str = "",
        fragment: str = "",
        triggers: list[WidgetState] | None = None,
        by_itself: bool = False,
    ) -> None:
        message = BackMsg()
        asked = message.rerun_script
        asked.query_string = self.query
        asked.page_script_hash = self._page_hash
        if page:
            asked.page_name = page
        asked.fragment_id = fragment
        asked.is_auto_rerun = by_itself
        asked.widget_states.widgets.extend([*self._states.values(), *(triggers or [])])
        begun_s = time.perf_counter()
        self.send(message)
        self.answers_s.append(time.perf_counter() - begun_s)

    def send(self, message: BackMsg) -> None:
        """Send any message, and take in what comes until it is worked off."""
        self._socket.send(message.SerializeToString())
        while True:
            answer = self._next()
            if answer.WhichOneof("type") == "script_finished" and answer.script_finished != EARLY:
                break

    def _next(self) -> ForwardMsg:
        raw = self._socket.recv(timeout=PATIENCE_S)
        assert isinstance(raw, bytes)
        if self._keeps:
            self.received.append(raw)
        message = ForwardMsg()
        message.ParseFromString(raw)
        self._take(message)
        return message

    def _take(self, message: ForwardMsg) -> None:
        match message.WhichOneof("type"):
            case "new_session":
                self._run = message.metadata.run.script_run_id
                self._session = message.new_session.initialize.session_id or self._session
                if not message.metadata.run.fragment_ids:
                    self.repeats.clear()
            case "navigation":
                told = message.navigation
                self.pages = {one.url_pathname: one.page_script_hash for one in told.app_pages}
                self._page_hash = told.page_script_hash
            case "page_info_changed":
                self.query = message.page_info_changed.query_string
            case "auto_rerun":
                self.repeats[message.auto_rerun.fragment_id] = message.auto_rerun.interval
            case "stop_auto_rerun":
                for fragment in message.stop_auto_rerun.fragment_ids:
                    self.repeats.pop(fragment, None)
            case "delta":
                self._change(message)
            case "script_finished":
                self._drop_stale(message)

    def _change(self, message: ForwardMsg) -> None:
        place, delta = tuple(message.metadata.delta_path), message.delta
        if delta.WhichOneof("type") == "new_element":
            element = delta.new_element
            self.elements[place] = (element, delta.fragment_id, self._run)
            if element.WhichOneof("type") == "exception":
                self.exceptions.append(f"{element.exception.type}: {element.exception.message}")
        elif delta.WhichOneof("type") == "add_block":
            # a new block takes the place of an element; what stood deeper goes when the run is over
            self.elements.pop(place, None)

    def _drop_stale(self, message: ForwardMsg) -> None:
        if message.script_finished not in (
            ForwardMsg.FINISHED_SUCCESSFULLY,
            ForwardMsg.FINISHED_FRAGMENT_RUN_SUCCESSFULLY,
        ):
            return
        fragments = set(message.metadata.run.fragment_ids)
        self.elements = {
            place: kept
            for place, kept in self.elements.items()
            if kept[2] == self._run or (fragments and kept[1] not in fragments)
        }


def _key(ident: str) -> str:
    """The key that the program gave to a widget."""
    return ident.split("-", 2)[-1]


def _words(element: Any) -> str:
    kind = element.WhichOneof("type")
    if kind is None:
        return ""
    inner = getattr(element, kind)
    if kind == "bidi_component":
        return str(inner.json)
    named = ("label", "body", "value", "options", "text", "caption", "message", "code_text", "help")
    found = [getattr(inner, name, "") for name in named]
    return " ".join(str(one) for one in found if one)


def _put(server: str, address: str, name: str, content: bytes) -> int:
    """Send a file as a page of this site does: with the token that proves it is one."""
    jar = CookieJar()
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(jar))
    opener.open(f"{server}/_stcore/health", timeout=30).close()
    token = next((cookie.value for cookie in jar if cookie.name == "_streamlit_xsrf"), "")
    edge = uuid.uuid4().hex
    head = f'--{edge}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'
    body = head.encode() + content + f"\r\n--{edge}--\r\n".encode()
    request = urllib.request.Request(address, data=body, method="PUT")
    request.add_header("Content-Type", f"multipart/form-data; boundary={edge}")
    request.add_header("X-Xsrftoken", token or "")
    try:
        with opener.open(request, timeout=30) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as refused:
        return refused.code
    except urllib.error.URLError:
        return REFUSED_EARLY  # the server has closed the line before the file's end


def query(**fields: str) -> str:
    """The part of an address behind its question mark."""
    return urlencode(fields)
