"""A learning record store outside, reached by its address: statements go there, nothing else does.

The standard library's client does it: two requests and a header. The client libraries for xAPI that exist for
Python were last kept in 2020.

Not modeled: OAuth; a store asks for a name and a secret (HTTP Basic, RFC 7617).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from http.client import HTTPException
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import urlencode, urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from sim.training.xapi import VERSIONS
from sim.vehicle.problems import Problem

TIMEOUT_S = 10.0
LONGEST_ANSWER = 1_000_000
LONGEST_ADDRESS, LONGEST_USERNAME, LONGEST_SECRET = 500, 200, 1000


@dataclass(frozen=True, slots=True)
class RecordStore:
    """Where statements go. The secret is in no text of it."""

    endpoint: str
    home_page: str
    username: str
    secret: str = field(repr=False)
    version: str = VERSIONS[0]


class NotReached(Problem):
    """The store could not be reached, or did not let us in: everything waits."""


class Refused(Problem):
    """The store does not take these statements as they are."""


class _NoRedirects(HTTPRedirectHandler):
    """The secret goes to the address that was given, and to no other."""

    def redirect_request(self, *args: Any) -> None:
        """Follow none."""


_opener = build_opener(_NoRedirects)


def checked(store: RecordStore) -> RecordStore:
    """The store with addresses without a slash at the end; raises `Problem` for what cannot be one."""
    endpoint, home_page = store.endpoint.strip().rstrip("/"), store.home_page.strip().rstrip("/")
    for what, text in (("the store", endpoint), ("the accounts", home_page)):
        at = urlsplit(text)
        if at.scheme not in ("http", "https") or not at.hostname or len(text) > LONGEST_ADDRESS:
            raise Problem(
                f"the address of {what} begins with https:// and names a host (here: '{text[:80]}')"
            )
        if at.username or at.password or at.query or at.fragment:
            raise Problem(f"the address of {what} has no name, secret or question mark in it")
    if not store.username or len(store.username) > LONGEST_USERNAME or ":" in store.username:
        raise Problem(f"the name has 1 to {LONGEST_USERNAME} characters and no colon")  # RFC 7617, section 2
    if not 1 <= len(store.secret) <= LONGEST_SECRET:
        raise Problem(f"the secret has 1 to {LONGEST_SECRET} characters")
    if store.version not in VERSIONS:
        raise Problem(f"the version is {' or '.join(VERSIONS)} (here: '{store.version[:20]}')")
    return RecordStore(endpoint, home_page, store.username, store.secret, store.version)


def send_all(store: RecordStore, bodies: Sequence[str]) -> None:
    """Send several statements at once; the store takes all or none (xAPI 1.0.3, part three, 2.1.2)."""
    _ask(store, "POST", "statements", f"[{','.join(bodies)}]")


def send_one(store: RecordStore, statement_id: str, body: str) -> None:
    """Send one statement by its number; one that the store has already is no error (same, 2.1.1)."""
    _ask(store, "PUT", f"statements?{urlencode({'statementId': statement_id})}", body, has_it=(409,))


def ask_about(store: RecordStore) -> str:
    """The versions of xAPI that the store knows, to see whether the address is one."""
    told = _ask(store, "GET", "about", None)
    try:
        versions = json.loads(told)["version"]
    except (ValueError, KeyError, TypeError):
        raise NotReached("the address answers, but it is no learning record store") from None
    return ", ".join(map(str, versions if isinstance(versions, list) else [versions]))


def _ask(store: RecordStore, method: str, what: str, body: str | None, has_it: Sequence[int] = ()) -> str:
    known = base64.b64encode(f"{store.username}:{store.secret}".encode()).decode()
    headers = {
        "Authorization": f"Basic {known}",
        "X-Experience-API-Version": store.version,
        "Content-Type": "application/json",
        "Accept": "application/json",
    }
    data = None if body is None else body.encode()
    request = Request(f"{store.endpoint}/{what}", data, headers, method=method)
    try:
        with _opener.open(request, timeout=TIMEOUT_S) as answer:
            return str(answer.read(LONGEST_ANSWER).decode("utf-8", "replace"))
    except HTTPError as error:
        with error:
            if error.code in has_it:
                return ""
            raise _refusal(error.code) from None
    except (URLError, HTTPException, OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise NotReached(f"the store cannot be reached: {type(reason).__name__}") from None


def _refusal(code: int) -> Problem:
    if code in (401, 403):
        return NotReached(f"the store refuses name or secret (answer {code}): check both")
    if code in (400, 409, 412, 413, 422):
        return Refused(f"the store does not take this (answer {code})")
    return NotReached(f"the store answers {code}")
