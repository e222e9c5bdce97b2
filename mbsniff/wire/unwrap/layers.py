"""The layers that are seen through, and those that are not: a number, a name, the standard of each."""

from __future__ import annotations

# What a step through one layer finds beside link types, which are positive.
TYPED = 1 << 20  # plus an EtherType: what follows is what it names
DAMAGED = 0
NOTHING = -1  # whole, but nothing of interest in it
SECRET = -2  # encrypted or compressed, counted already
FOREIGN = -16  # less the number of a protocol for the slow way (see `by_scapy`)

# Layers seen through: the columns of the counts.
L_MIRROR = 0
L_GRE = 1
L_PRP = 2
L_HSR = 3
L_FRER = 4
L_FRAGMENTS = 5
L_ROUTING = 6
L_VXLAN = 7
L_GENEVE = 8
L_IP_IN_IP = 9
L_ETHER_IN_IP = 10
L_MPLS = 11
L_PPPOE = 12
L_TEREDO = 13
L_TAGS = 14
L_LLC = 15
L_SECURED = 16
L_FOREIGN = 17
SEEN_THROUGH = (
    "remote mirror over GRE",  # draft-foschiano-erspan
    "GRE",  # RFC 2784, 2890, 7637, 8086, 2637
    "PRP trailer",  # IEC 62439-3, 4
    "HSR tag",  # IEC 62439-3, 5
    "frame replication tag",  # IEEE 802.1CB
    "IP fragment",  # RFC 791, RFC 8200
    "IPv6 routing header",  # RFC 8200, 4.4
    "VXLAN",  # RFC 7348
    "Geneve",  # RFC 8926
    "IP in IP",  # RFC 2003, 2473, 4213
    "Ethernet in IP",  # RFC 3378, RFC 8986
    "MPLS",  # RFC 3032, 4023, 7510
    "PPPoE",  # RFC 2516
    "Teredo",  # RFC 4380
    "backbone or extender tag",  # IEEE 802.1Q, 9.7; 802.1BR, 7.5
    "LLC",  # RFC 1042
    "802.1AE without encryption",
    "rare layer",  # through scapy
)
"""Names by column; a frame counts once for each layer that it has."""

S_ESP = 18
S_COMPRESSED = 19
S_MACSEC = 20
S_WIRELESS = 21
S_DEEP = 22
S_OVERLAP = 23
S_COPIES = 24
COUNTS = 25
NOT_SEEN_THROUGH = {
    S_ESP: "IPsec, encrypted",  # RFC 4303, 3948
    S_COMPRESSED: "IP payload compression",  # RFC 3173
    S_MACSEC: "802.1AE, encrypted",
    S_WIRELESS: "wireless, encrypted",
    S_DEEP: "nested too deeply",
    S_OVERLAP: "IP fragments that contradict each other",
}
"""Names by column of the counts."""
SECURED_NAME = "Modbus/TCP Security on port 802, encrypted"
