"""What wire hands to exchange: message rows, sixteen int64 a message or link event, in connection order."""

from __future__ import annotations

# Columns of every row.
KIND = 0  # one of the kinds below
TIME_NS = 1  # time of the frame that completed it
CONNECTION = 2  # index of the TCP connection
FRAME = 3  # ordinal of that frame in the recording, from 0

# Further columns of REQUEST and REPLY rows; -1 where the function has none or the frame was cut.
IDENTIFIER = 4  # transaction identifier; NO_IDENTIFIER in serial framing, which has none
UNIT = 5  # unit identifier
FUNCTION = 6  # function code as sent, so with bit 7 set in exceptions
START = 7  # first address; sub-function (8), record number (20, 21), MEI type (43)
QUANTITY = 8  # registers or coils; records' registers together (20, 21)
WRITE_START = 9  # functions 23; file number (20, 21)
WRITE_QUANTITY = 10  # function 23; number of records (20, 21)
DETAIL = 11  # replies: exception code, or byte count
END_SEQUENCE = 12  # TCP sequence number after its last byte
VALUE = 13  # written value (5, 6), or where VALUE_BYTES begin in the value pool
VALUE_BYTES = 14  # bytes of written data in the value pool (15, 16, 21, 22, 23), else 0
SHAPE = 15  # one of the shapes below
ROW_COLUMNS = 16

# Further columns of the other kinds.
SIDE = 4  # who sent it: CLIENT or SERVER
FROM_NS = 5  # UNRECORDED: when that side was last seen in order, -1 where never
AMOUNT = 6  # UNRECORDED, AGAIN: bytes; OPENING: 1 where the SYN is one sent again; WINDOW_OPENED: its field
SEQUENCE = 7  # AGAIN: sequence number of its first byte; ACKNOWLEDGED: acknowledgement number

CLIENT, SERVER = 0, 1
NO_IDENTIFIER = 1 << 16

REQUEST = 0
REPLY = 1
ACKNOWLEDGED = 2  # bare acknowledgement of the newest request, or the one that ends a handshake
UNRECORDED = 3  # bytes that were sent but are not in the recording
AGAIN = 4  # data that TCP sent again
PROBE = 5  # keep-alive probe (RFC 1122 4.2.3.6)
OPENING = 6  # SYN
ACCEPTED = 7  # SYN and ACK
CLOSING = 8  # FIN
RESET = 9  # RST
WINDOW_CLOSED = 10  # a side announces a receive window of 0 (RFC 9293, 3.8.6): its program does not read
WINDOW_OPENED = 11  # and takes bytes again

FITS = 0  # as the function's format asks
MALFORMED = 1  # length or byte count is not what the function's format asks
CUT = 2  # the recorder kept too few bytes of the frame to tell
