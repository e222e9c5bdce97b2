"""What the network loop hands to exchange: one row of int64 an event, addresses still as numbers."""

from __future__ import annotations

# Kinds, apart from those of `mbsniff.wire.rows`.
LOOKUP_ASKED = 32  # ARP request, or neighbour solicitation: who has the address N_TARGET?
LOOKUP_ANSWERED = 33
ADDRESS_ANNOUNCED = 34  # nobody had asked
ADDRESS_PROBED = 35  # does anybody use the address that I mean to use? (RFC 5227, 2.1.1; RFC 4862, 5.4)
ECHO_ASKED = 36
ECHO_ANSWERED = 37
HOST_ERROR = 38  # a host or router says that a packet did not arrive
LEASE_ASKED = 39
LEASE_OFFERED = 40
LEASE_GIVEN = 41
LEASE_REFUSED = 42
LEASE_DECLINED = 43
LEASE_RELEASED = 44
TREE_NEWS = 45  # a spanning tree changed
TREE_HELLO = 46  # a bridge's BPDU that differs from the last one of the same sender
ORIGIN = 47  # a TCP segment of a server port whose sender's hardware address and hop count matter
RESET_ORIGIN = 48  # the loop's own, for limits: an ORIGIN that is a reset
FIRST_KIND, KINDS = LOOKUP_ASKED, 17
NOTHING = -1
NETWORK_NAMES = (
    "lookup-asked", "lookup-answered", "address-announced", "address-probed", "echo-asked", "echo-answered",
    "host-error", "lease-asked", "lease-offered", "lease-given", "lease-refused", "lease-declined",
    "lease-released", "tree-news", "tree-hello", "origin",
)  # fmt: skip

# Columns; -1 where there is none.
R_KIND = 0
R_TIME_NS = 1
R_FRAME = 2  # ordinal in the recording, from 0
R_MAC = 3  # hardware address of the sender
R_TARGET_MAC = 4  # of the addressee, or of whom the event is about
R_HOPS = 5  # time to live or hop limit
R_AMOUNT = 6
R_CONNECTION = 7
R_ADDRESS = 8  # an address in three words, see `put_ipv4` and `put_ipv6`
R_TARGET = 11
R_PRINT = 14  # what a copy of the frame shares with it
NETWORK_COLUMNS = 15
ADDRESS_WORDS = 3
