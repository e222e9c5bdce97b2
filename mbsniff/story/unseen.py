"""A cause and where the recorder sat in, what the wire cannot show out: sentences that end every story."""

from __future__ import annotations

from mbsniff.diagnose.finding import Diagnosis

# What stays hidden, by cause: the neighbours' own records decide it.
HIDDEN: dict[str, str] = {
    "master-stopped": "why {master} stopped asking: its own log and program tell",
    "master-not-heard": "whether {master} was off or only cut off from this mirror port: its own log tells",
    "poll-dropped": "why {master} did not ask: its program, its enable bits and its log tell",
    "starved-by-neighbour": "why {master} asks one device after the other: its program tells",
    "device-unreachable": "whether {device} lost power, its cable or a switch on the way: its uptime, the switch's "
    "log, or a second mirror port beside it tells",
    "flow-dead": "which box on the way forgot the connection: its table and its log tell",
    "device-stalled": "what {device}'s program did meanwhile: its own log tells",
    "device-saturated": "what else {device} had to do: its own log tells",
    "device-slow": "what {device} was busy with: its own log tells",
    "replies-late": "what {device} was busy with: its own log tells",
    "target-dead": "what happened on the line behind the gateway: its log, or a recording of that line, tells",
    "device-restarted": "why {device} started anew (power, its own supervision, or somebody): its uptime and log tell",
    "connect-refused": "what {device} did instead of accepting connections: its own log tells",
    "connection-ended": "why the connection was ended: the log of the side that ended it tells",
    "address-conflict": "where the second owner of the address is plugged in: the switches' address tables tell",
    "address-moved": "who changed the address on purpose: the address server's log tells",
    "path-event": "which link or switch it was: the switches' logs tell",
    "feed-wrong": "whether {device} counts other requests as feeds than its documentation, or the site file, says",
    "commanded": "who ordered it, and why: the log of {master} and the operators tell",
    "recording-gap": "what was on the wire while nothing was recorded",
    "none-seen": "interlocks, local operation, trips and wiring of {device}: look there",
}
ALWAYS = (
    "what {device}'s output really did, and whether its watchdog tripped: only the device and a look at the "
    "equipment tell"
)
WITH_STATUS = (
    "what {device}'s output really did: a status register says what the device believes, not what the equipment "
    "does"
)
BY_VANTAGE = {
    "masters": "the way between this mirror port and the devices",
    "devices": "the way between this mirror port and the masters",
}


def unseen(
    diagnosis: Diagnosis, cause: str | None, device: str, master: str, *, has_status: bool
) -> list[str]:
    """Sentences without full stops, the gravest first."""
    texts = [WITH_STATUS if has_status else ALWAYS]
    if cause in HIDDEN:
        texts.append(HIDDEN[cause])
    if diagnosis.figures.vantage in BY_VANTAGE:
        texts.append(BY_VANTAGE[diagnosis.figures.vantage])
    return [text.format(device=device, master=master) for text in texts]
