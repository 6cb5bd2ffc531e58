"""The address that students reach this server at: for the projector, and as a QR code."""

from __future__ import annotations

import array
import ipaddress
import socket
import struct
import sys
from dataclasses import dataclass
from urllib.parse import urlsplit

import streamlit as st

from sim.vehicle.problems import Problem
from ui.state import classroom, kept

KIND, KEY = "reach", "address-of-this-server"
LONGEST = 200
SIOCGIFCONF = 0x8912  # netdevice(7): the addresses of all interfaces
INTERFACE_BYTES, NAME_BYTES = 40, 16  # of struct ifreq on 64-bit Linux
MOST_INTERFACES = 64


@dataclass(frozen=True, slots=True)
class Reach:
    """An address that students reach; where there is none it is empty, and `hint` tells why."""

    address: str
    hint: str = ""


def for_students(path: str) -> Reach:
    """Where students open a page: the address that was set, the browser's own, or this machine's."""
    known = kept.kept(KIND, KEY) or ""
    if known:
        return Reach(f"{known}/{path}")
    here = classroom.address(path)
    at = urlsplit(here)
    if not is_loopback(at.hostname or ""):
        return Reach(here)
    listens = str(st.get_option("server.address") or "")
    if listens and is_loopback(listens):
        return Reach(
            "", "Only this computer can reach busbay now: start it with `busbay bay --address 0.0.0.0`."
        )
    addresses = lan_addresses()
    if not addresses:
        return Reach("", "This computer has no address in a network: set one below.")
    port = f":{at.port}" if at.port else ""
    return Reach(at._replace(netloc=f"{addresses[0]}{port}").geturl())


def set_address(text: str) -> None:
    """Set the address that students are shown; empty: find it out again."""
    text = text.strip().rstrip("/")
    at = urlsplit(text)
    if text and (at.scheme not in ("http", "https") or not at.hostname or len(text) > LONGEST or at.query):
        raise Problem(f"an address begins with http:// or https:// and names a host (here: '{text[:80]}')")
    if at.hostname and is_loopback(at.hostname):
        raise Problem(f"'{at.hostname}' is this computer only: students do not reach it")
    kept.keep(KIND, KEY, text)


def is_loopback(host: str) -> bool:
    """Whether a host is reached from this computer only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")  # RFC 6761, section 6.3


def lan_addresses() -> list[str]:
    """The IPv4 addresses of this machine that others may reach; asks the kernel, and no other computer."""
    found = _of_interfaces() if sys.platform == "linux" else _of_the_name()
    known = [ipaddress.ip_address(one) for one in found]
    return [str(one) for one in known if not (one.is_loopback or one.is_link_local or one.is_unspecified)]


def _of_interfaces() -> list[str]:
    import fcntl

    room = array.array("B", bytes(INTERFACE_BYTES * MOST_INTERFACES))
    asked = struct.pack("iL", len(room), room.buffer_info()[0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            told = fcntl.ioctl(asking.fileno(), SIOCGIFCONF, asked)
        except OSError:
            return []
    (length, _) = struct.unpack("iL", told)
    data = room.tobytes()[:length]
    # after the name: family (2 bytes), port (2), address (4)
    starts = range(NAME_BYTES + 4, len(data), INTERFACE_BYTES)
    return [socket.inet_ntoa(data[at : at + 4]) for at in starts]


def _of_the_name() -> list[str]:
    try:
        return [str(one[4][0]) for one in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    except OSError:
        return []
