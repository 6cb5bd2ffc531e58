"""A car that other programs talk to, from the command line."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace

from sim.arguments import port, work_arguments
from sim.catalogue import STANDARD_INPUT
from sim.link.bench_commands import work
from sim.link.doip_messages import PORT
from sim.link.live_link import LiveLink
from sim.link.serve import serve
from sim.vehicle.problems import Problem


def serve_arguments(parser: ArgumentParser) -> None:
    """Add the arguments of `serve_car`."""
    work_arguments(parser)
    parser.add_argument(
        "--doip-port", type=port, default=PORT, help="port of diagnostics over IP (default: %(default)s)"
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    parser.add_argument(
        "--can",
        metavar="INTERFACE:CHANNEL",
        action="append",
        default=[],
        help="raw frames of the diagnostic connector on this bus of python-can",
    )


def serve_car(chosen: Namespace) -> int:
    """Do actions at a car, then serve it in real time until Ctrl-C."""
    if chosen.car == STANDARD_INPUT:
        raise Problem("serve reads actions from standard input: give the path of a vehicle file")
    bench = work(chosen)
    link = LiveLink(bench, doip_port=chosen.doip_port, host=chosen.host, can_buses=tuple(chosen.can))
    return serve(link, sys.stdin)
