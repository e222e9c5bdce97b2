"""The columns of what the wire loop carries from frame to frame and batch to batch."""

from __future__ import annotations

# A connection's state: one row of STATE_COLUMNS int64, SIDE_COLUMNS for each side.
NEXT = 0  # sequence number of the next byte in order, -1 where unknown
PART = 1  # IN_STEP, LOST, or (slot + 1) << PART_SHIFT | fill of the unfinished message's buffer
PENDING = 2  # oldest sequence number that the other side's acknowledgement is awaited for, or -1
SEEN_NS = 3  # when this side's last byte in order was seen, -1 where never
PRINT_NS = 4  # time of this side's last frame
PRINT = 5  # fingerprints of this side's last PRINTS frames, -1 where none; the older ones where each
PRINTS = 4  # came within COPY_NS of the next: a handshake and a request may precede their copies
SIDE_COLUMNS = 9
HELD = 18  # first of the segments held back, in order of arrival, -1 where none
HEARD = 19  # bits: 1 the client's bytes were seen, 2 the server's, 4 it was reset, and those below
SERIAL = 20  # messages in serial framing, over all connections of these addresses and ports
STATE_COLUMNS = 21

BOTH_HEARD = 3
WAS_RESET = 4
IS_CLOSED = 8  # the client's window; shifted by the side
MBAP = 1 << 8  # which framing the connection turned out to speak, neither at first
RTU = 1 << 9

IN_STEP = 0
LOST = -1
PART_SHIFT = 10
PART_MASK = (1 << PART_SHIFT) - 1
PART_BYTES = 272  # a message has 260 at most (MODBUS Application Protocol V1.1b3, 4.1)

# A segment held back until what precedes it is seen: one row of HELD_COLUMNS, HELD_BYTES of data.
H_NEXT = 0  # the next one held for this connection, or the next free row
H_SIDE = 1
H_SEQUENCE = 2
H_SIZE = 3  # bytes on the wire
H_SEEN = 4  # of which the recording holds
H_ACK = 5  # acknowledgement number, -1 where none
H_FIN = 6
H_TIME = 7
H_FRAME = 8
H_DONE_NS = 9  # when, and
H_DONE_FRAME = 10  # by which frame, all its side's bytes up to its own were there
HELD_COLUMNS = 11
HELD_BYTES = 512  # a longer segment is held as several
SEGMENT_HELD = 130  # rows that the longest segment (65,535 bytes) takes, and one more

# Scalars that the loop carries.
C_FRAME = 0  # next row of the batch
C_ORDINAL = 1  # ordinal in the recording of the batch's first frame
C_ROWS = 2  # message rows filled
C_VALUES = 3  # bytes of the value pool filled
C_CONNECTIONS = 4
C_FREE_PARTS = 5  # buffers on the stack of free ones
C_FREE_HELD = 6  # first free row for held segments, -1 where none
C_HELD_LEFT = 7  # how many are free
C_MESSAGES = 8
C_FRAMES_MODBUS = 9  # TCP and UDP frames of a server port
C_UNDECODABLE = 10  # frames with a damaged header, or bytes in which no message could be found
C_SECURED = 11  # TCP frames of the port of Modbus/TCP Security
C_UNKNOWN_LINK = 12
C_REPEATED = 13  # copies made by the mirror port
C_UNRECORDED = 14  # bytes sent but not recorded
C_SKIPPED = 15  # bytes passed over in search of the next message
C_ASIDE = 16  # frames of the batch that were set aside for `mbsniff.wire.network`
C_DATAGRAMS = 17  # UDP datagrams of a server port
CARRY_COLUMNS = 18

# Why the loop came back.
DONE = 0
ROOM = 1  # rows or value pool are full: take them, then go on
GROW_CONNECTIONS = 2
GROW_PARTS = 3
GROW_HELD = 4
HIDDEN_FRAME = 5  # the next frame hides what it holds: have `mbsniff.wire.unwrap` look at the batch

COPY_NS = 10_000_000  # a mirror port's copy comes within this; TCP sends again later (RFC 6298, 2.4)
PROVEN_LOST_NS = 1_000_000_000  # the receiver has it, so only the recording can be late or lack it
WAIT_NS = 60_000_000_000  # RFC 6298, 2.4: the retransmission timer may back off to this
MOST_HELD = 32  # rows held for a connection before the oldest gap counts as unrecorded
