"""100BASE-T1: one pair between two PHYs, its frames, its link states, and how well a receiver reads it.

Sources: IEEE 802.3bw (100BASE-T1: full duplex at 100 Mbit/s over one pair, 66.7 MBd in three levels, one PHY
master and one slave, differential impedance 100 ohm, insertion loss of a link segment), IEEE 802.3 clauses 3
and 4 (frame lengths, preamble, gap), IEEE 1722 (CAN frames inside Ethernet frames: ACF_CAN_BRIEF in an NTSCF
message), OPEN Alliance TC1 (signal quality index 0 to 7) and TC10 (sleep and wake-up): second-hand and from
memory; none of them was read.

Not modeled: symbols, scrambling, echo cancellation, crosstalk and electromagnetic noise; VLANs and
priorities; several CAN frames gathered in one Ethernet frame; address learning of a switch.
"""

from __future__ import annotations

from typing import Final, Literal

BITRATE_BPS: Final = 100_000_000
PAIR_OHM: Final = 100.0  # IEEE 802.3bw, differential; each PHY ends the pair in it
# common-mode termination at the connector side of the coupling capacitors: two resistors to a middle point
# that leaks to ground (OPEN Alliance, system implementation specification; from memory)
COMMON_MODE_OHM: Final = 1_000.0
LEAK_OHM: Final = 100_000.0

# IEEE 802.3 clause 3 and 4: preamble and start delimiter, header, check sequence, gap; shortest frame
PREAMBLE_BYTES: Final = 8
HEADER_BYTES: Final = 14
CHECK_BYTES: Final = 4
GAP_BYTES: Final = 12
SHORTEST_FRAME_BYTES: Final = 64
# RFC 791 and RFC 9293: headers of IP and TCP without options; the longest packet of an Ethernet frame
IP_BYTES: Final = 20
TCP_BYTES: Final = 20
PACKET_BYTES: Final = 1500
# IEEE 1722: NTSCF header, and the ACF_CAN_BRIEF header before the data, which are padded to four bytes
NTSCF_BYTES: Final = 12
ACF_CAN_BYTES: Final = 8

TRAINING_S: Final = 0.1  # from wake-up to link up at most, both PHYs fed; usual requirement, from memory

# TC1: index 0 to 7 over the signal-to-noise ratio; 7 is best. Here it falls with the loss that the wiring
# adds, one step each decibel: a choice of this model, as noise is not modeled.
BEST_QUALITY: Final = 7
DB_PER_STEP: Final = 1.0
# a loss that 802.3bw allows a whole segment at its highest frequency of 66 MHz; beyond, no link
MOST_LOSS_DB: Final = 7.2
LEAST_GOOD_QUALITY: Final = 5  # below, a technician looks at the pair; common practice
# a wire this close to a supply or to ground turns the pair into a single wire: no link. Own choice, at the
# common-mode impedance that the standard asks for.
LEAST_LEG_OHM: Final = 200.0

PhyRole = Literal["master", "slave"]
# TC10 and the open drivers of PHYs: what a PHY tells of its link
LinkState = Literal["sleep", "down", "training", "up"]


def wire_bytes(data_bytes: int) -> int:
    """Bytes on the pair, preamble and gap included, for a CAN frame of so many data bytes."""
    padded = -(-data_bytes // 4) * 4
    frame = HEADER_BYTES + NTSCF_BYTES + ACF_CAN_BYTES + padded + CHECK_BYTES
    return PREAMBLE_BYTES + max(SHORTEST_FRAME_BYTES, frame) + GAP_BYTES


def frame_ns(data_bytes: int) -> int:
    """The time that it takes, in whole nanoseconds: 80 ns for each byte."""
    return wire_bytes(data_bytes) * 8 * 1_000_000_000 // BITRATE_BPS


def tcp_ns(data_bytes: int) -> int:
    """The time that a message by TCP takes, in whole nanoseconds: its packets one after the other."""
    most = PACKET_BYTES - IP_BYTES - TCP_BYTES
    sizes = [min(most, data_bytes - at) for at in range(0, max(1, data_bytes), most)]
    headers = HEADER_BYTES + IP_BYTES + TCP_BYTES + CHECK_BYTES
    frames = sum(PREAMBLE_BYTES + max(SHORTEST_FRAME_BYTES, headers + size) + GAP_BYTES for size in sizes)
    return frames * 8 * 1_000_000_000 // BITRATE_BPS


def quality_of(loss_db: float) -> int:
    """The signal quality index for a loss of the wiring in dB; 0 means that no link comes up."""
    if loss_db > MOST_LOSS_DB:
        return 0
    return max(1, BEST_QUALITY - int(loss_db / DB_PER_STEP))
