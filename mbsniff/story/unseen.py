"""A cause and where the recorder sat in, what the wire cannot show out, and in brackets what can: every story's end."""

from __future__ import annotations

from mbsniff.diagnose.finding import Diagnosis

# What stays hidden, by cause: the neighbours' own records decide it.
HIDDEN: dict[str, str] = {
    "master-stopped": "why {master} stopped asking (its own log)",
    "master-not-heard": "whether {master} was off, or only cut off from this mirror port (its own log)",
    "poll-dropped": "why {master} did not ask (its program, its log)",
    "starved-by-neighbour": "why {master} asks one device after the other (its program)",
    "device-unreachable": "whether {device}, its cable or a switch on the way failed (its uptime, the switches' logs, "
    "a second mirror port beside it)",
    "flow-dead": "which box on the way forgot the connection (its table, its log)",
    "device-stalled": "what {device}'s program did meanwhile (its own log)",
    "device-saturated": "what else {device} had to do (its own log)",
    "device-slow": "what {device} was busy with (its own log)",
    "replies-late": "what {device} was busy with (its own log)",
    "target-dead": "what happened on the line behind the gateway (its log, a recording of that line)",
    "device-restarted": "why {device} started anew: power, its own supervision, or somebody (its log)",
    "connect-refused": "why {device} took no connection (its own log)",
    "connection-ended": "why the connection was ended (the log of the side that ended it)",
    "address-conflict": "where the second owner of the address is plugged in (the switches' address tables)",
    "address-moved": "who had the address changed (the address server's log)",
    "path-event": "which link or switch it was (the switches' logs)",
    "feed-wrong": "what {device} really counts as a feed (its documentation)",
    "commanded": "who ordered it, and why (the log of {master}, the operators)",
    "recording-gap": "what was on the wire while nothing was recorded",
    "asked-too-slowly": "whether {device}'s watchdog is really set as stated (its parameters)",
    "watchdog-masked": "why {master} stopped asking (its own log)",
    "none-seen": "interlocks, local operation, trips and wiring of {device}: look there",
}
ALWAYS = "whether {device}'s watchdog tripped, and what its output did (the device, a look at the equipment)"
WITH_STATUS = "what {device}'s output really did (its status tells only what it believes)"
FED = "what {device}'s output did meanwhile (the device, a look at the equipment)"
UNTRIPPED = ("watchdog-masked", "commanded", None)
BY_VANTAGE = {
    "masters": "the way between this mirror port and the devices",
    "devices": "the way between this mirror port and the masters",
}


def unseen(
    diagnosis: Diagnosis, cause: str | None, device: str, master: str, *, has_status: bool
) -> list[str]:
    """Sentences without full stops, the gravest first."""
    texts = [WITH_STATUS if has_status else FED if cause in UNTRIPPED else ALWAYS]
    if cause in HIDDEN:
        texts.append(HIDDEN[cause])
    if diagnosis.figures.vantage in BY_VANTAGE:
        texts.append(BY_VANTAGE[diagnosis.figures.vantage])
    return [text.format(device=device, master=master) for text in texts]
