"""Each cause of a silence in a built capture that shows it, and its nearest neighbour, in which it is not named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from mbsniff.site.limits import FedBy, Limits
from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at, poll
from tests.builders.packets import ACK, RST, SYN
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.diagnose.built import SECOND, ZONE, diagnosis, every, finding, master

WRITE = bytes.fromhex("0600280001")


def polled_but(from_s: float = 20, until_s: float = 30) -> tuple[Plant, Connection]:
    """A poll a second until ``from_s``; go on with `again_from`."""
    plant = Plant()
    link = master(plant).handshake()
    poll(link, every(1, 0.5, from_s))
    at(plant, until_s)
    return plant, link


def again_from(plant: Plant, link: Connection, seconds: float = 30) -> None:
    poll(link, every(1, seconds, 60), first=1000)


def due(plant: Plant, limits: Limits = ZONE, **how: Any) -> dict[str, Any]:
    """The finding watchdog-due."""
    return finding(diagnosis(plant, limits, **how), "watchdog-due")


def told(found: dict[str, Any]) -> tuple[str, str]:
    return found["cause"], found["certainty"]


# recording-gap


def test_recording_gap_where_a_masters_bytes_are_lacking() -> None:
    """Frames of both sides were lost while the watchdog would have been due: open, with their bytes counted."""
    plant, link = polled_but()
    poll(link, every(1, 20.5, 29), first=500)
    for sighting in plant.wire[-18:]:
        sighting.lost = True
    again_from(plant, link)
    found = due(plant)
    assert told(found) == ("recording-gap", "open")
    assert "the recording lacks 108 bytes that the masters sent meanwhile" in found["text"]


def test_no_recording_gap_where_only_a_devices_bytes_are_lacking() -> None:
    """What the device sent feeds nothing: a lost reply does not excuse ten seconds without a request."""
    plant, link = polled_but()
    plant.wire[-1].lost = True
    again_from(plant, link)
    assert told(due(plant)) == ("master-not-heard", "certain")


def test_recording_gap_where_lost_replies_would_have_confirmed() -> None:
    """Requests are there, their replies are not in the recording: nobody can tell whether they were served."""
    plant, link = polled_but()
    poll(link, every(1, 20.5, 30), first=500)
    for sighting in plant.wire[-19::2]:
        sighting.lost = True
    again_from(plant, link)
    found = due(plant, replace(ZONE, fed_by=FedBy("reply")))
    assert told(found) == ("recording-gap", "open")
    assert "replies to 10 requests" in found["text"]


def test_recording_gap_where_no_frame_at_all_was_recorded() -> None:
    """Without a frame of any kind for so long that the rest kept to the timeout, the recorder may have stopped."""
    plant, link = polled_but()
    again_from(plant, link)
    found = due(plant, background_s=None)
    assert told(found) == ("recording-gap", "open")
    assert "no frame of any kind was recorded for 10.4 s of it" in found["text"]


def test_no_recording_gap_where_the_blank_explains_too_little() -> None:
    """Two frames of others in the silence: none of the three blanks alone brings it within the timeout."""
    plant, link = polled_but()
    other = plant.connection(("192.0.2.98", 40000), ("192.0.2.99", 80))
    for seconds in (23, 26.5):
        at(plant, seconds)
        other.segment(MASTER)
    again_from(plant, link)
    assert told(due(plant, background_s=None)) == ("master-not-heard", "certain")


# connect-refused, device-unreachable, connection-ended


def attempts(plant: Plant, times_s: Sequence[float], *, refused: bool) -> None:
    """SYNs from ports of their own, each answered by a reset or by nothing."""
    for port, seconds in enumerate(times_s, 50000):
        link = master(plant, port=port)
        at(plant, seconds)
        link.segment(MASTER, flags=SYN)
        if refused:
            link.segment(DEVICE, flags=RST | ACK, wait=0.001)


def test_connect_refused() -> None:
    """The device closes and answers attempts to connect by resets (RFC 9293, 3.5.2) until one succeeds."""
    plant, link = polled_but()
    at(plant, 20)
    link.close(DEVICE)
    attempts(plant, [21, 23, 25, 27], refused=True)
    at(plant, 29.99)
    again_from(plant, master(plant, port=51000).handshake())
    found = due(plant)
    assert told(found) == ("connect-refused", "certain")
    assert "5 attempts to connect, 4 of them answered by a reset" in found["text"]
    assert len(found["evidence"]) == 7, "four resets, the device's own close, and both feeds"


def test_a_reset_of_an_open_connection_refuses_nothing() -> None:
    """Two connections are reset and one is opened much later: they ended, nobody was refused."""
    plant, link = polled_but()
    at(plant, 20)
    link.reset(DEVICE)
    other = master(plant, port=51500)
    other.segment(MASTER, wait=0.01)
    other.segment(DEVICE, flags=RST, wait=0.001)
    at(plant, 29.99)
    again_from(plant, master(plant, port=51000).handshake())
    found = due(plant)
    assert told(found) == ("connection-ended", "certain")
    assert "the device reset the connection" in found["text"]


def test_device_unreachable_by_attempts() -> None:
    """SYNs without any answer."""
    plant, link = polled_but()
    at(plant, 20)
    link.close(MASTER)
    attempts(plant, [21, 23, 25, 27], refused=False)
    at(plant, 29.99)
    again_from(plant, master(plant, port=51000).handshake())
    found = due(plant)
    assert told(found) == ("device-unreachable", "certain")
    assert "4 attempts to connect without an answer" in found["text"]


def test_device_unreachable_by_what_tcp_sends_again() -> None:
    """One request is sent again and again for nine seconds and then answered: due whenever it arrived, and why."""
    plant, link = polled_but()
    at(plant, 20.5)
    link.ask(adu(400, 1, READ))
    for seconds in (20.8, 21.4, 22.6, 25, 29.8):
        at(plant, seconds)
        link.again(MASTER)
    link.answer(adu(400, 1, DATA))
    again_from(plant, link)
    found = due(plant)
    assert told(found) == ("device-unreachable", "certain")
    assert "sent again 5 times without an acknowledgement" in found["text"]


def test_a_segment_sent_again_before_the_last_reply_explains_no_silence() -> None:
    """A lost segment that was made good at once has nothing to do with the ten seconds after it."""
    plant, link = polled_but()
    at(plant, 20.5)
    link.ask(adu(400, 1, READ))
    link.again(MASTER, wait=0.3)
    link.answer(adu(400, 1, DATA))
    again_from(plant, link)
    assert told(due(plant)) == ("master-not-heard", "certain")


def test_connection_ended() -> None:
    """The master closes and comes back ten seconds later without a failed attempt."""
    plant, link = polled_but()
    at(plant, 20)
    link.close(MASTER)
    link.close(DEVICE, wait=0.01)
    at(plant, 29.99)
    again_from(plant, master(plant, port=51000).handshake())
    found = due(plant)
    assert told(found) == ("connection-ended", "certain")
    assert "the master closed the connection 500 ms after the last request" in found["text"]


def test_a_connection_that_stays_open_did_not_end() -> None:
    """The same silence on one connection, with keep-alive probes: the master's host lives and asks nobody."""
    plant, link = polled_but()
    for seconds in (23, 26):
        at(plant, seconds)
        link.probe(MASTER)
        link.segment(DEVICE, wait=0.001)
    again_from(plant, link)
    found = due(plant)
    assert (found["cause"], found["cause_certainty"]) == ("master-stopped", "certain")


# device-stalled


def stuck(*, acknowledged: bool) -> dict[str, Any]:
    """A request at 20 s that gets no reply; the master tries again at 30 s."""
    plant, link = polled_but()
    at(plant, 20)
    link.ask(adu(400, 1, READ))
    if acknowledged:
        link.segment(DEVICE, wait=0.04)
    at(plant, 30)
    link.ask(adu(401, 1, READ))
    link.answer(adu(401, 1, DATA))
    again_from(plant, link, 31)
    return due(plant)


def test_device_stalled() -> None:
    """TCP acknowledges the request, its reply never comes."""
    found = stuck(acknowledged=True)
    assert told(found) == ("device-stalled", "certain")
    assert "acknowledged 1 request, but no reply came" in found["text"]


def test_a_request_that_nobody_acknowledged_does_not_show_a_stall() -> None:
    """Without the acknowledgement, device and path cannot be told apart."""
    found = stuck(acknowledged=False)
    assert found["cause"] == "device-unreachable"
    assert "1 request stayed without a timely reply" in found["text"]


def test_a_request_that_is_still_open_when_the_recording_ends_is_told() -> None:
    """The master waits for a reply until the end: it was heard."""
    plant, link = polled_but()
    at(plant, 20.5)
    link.ask(adu(400, 1, READ))
    found = due(plant)
    assert told(found) == ("device-unreachable", "certain")
    assert "the recording ends before another request" in found["text"]


def test_requests_without_a_reply_to_the_end_are_possibly_due_since_the_last_reply() -> None:
    """They may all have fed: open, from the last confirmed feed on, and not for want of a master."""
    plant, link = polled_but()
    poll(link, every(1, 20.5, 60), reply_s=None, first=400)
    found = due(plant)
    assert told(found) == ("device-unreachable", "open")
    assert found["from"].endswith("T03:04:24.500000000Z")


# target-dead, feed-wrong


def test_target_dead() -> None:
    """The gateway answers 0B for ten seconds (V1.1b3, 7)."""
    plant, link = polled_but()
    poll(link, every(1, 20.5, 30), reply=bytes.fromhex("830b"), first=400)
    again_from(plant, link)
    assert told(due(plant)) == ("target-dead", "open")


def test_other_exceptions_come_from_the_device_itself() -> None:
    """Busy (06) is the device's own answer, which confirms a feed only where the site says so."""
    plant, link = polled_but()
    poll(link, every(1, 20.5, 30), reply=bytes.fromhex("8306"), first=400)
    again_from(plant, link)
    found = due(plant)
    assert told(found) == ("feed-wrong", "open")
    assert "06 server device busy" in found["text"]


def test_feed_wrong() -> None:
    """Only writes feed; they stop, and reads go on."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60))
    poll(master(plant, port=50000), every(1, 0.5, 20) + every(1, 30.5, 60), request=WRITE, reply=WRITE)
    found = due(plant, replace(ZONE, fed_by=FedBy("write")))
    assert told(found) == ("feed-wrong", "certain")
    assert "11 requests came meanwhile, but none that feeds this watchdog" in found["text"]


def test_the_feed_is_not_wrong_where_nothing_came() -> None:
    """Reads stop together with the writes."""
    plant = Plant()
    both = every(1, 0, 20) + every(1, 30, 60)
    poll(master(plant), both)
    poll(master(plant, port=50000), [t + 0.5 for t in both], request=WRITE, reply=WRITE)
    assert due(plant, replace(ZONE, fed_by=FedBy("write")))["cause"] == "master-not-heard"


# starved-by-neighbour, poll-dropped, master-not-heard


def neighbour(times_s: Sequence[float], reply_s: float | None, **how: Any) -> dict[str, Any]:
    """The finding where another device (or unit) is asked at these times too."""
    plant, link = polled_but()
    again_from(plant, link)
    poll(master(plant, device=51, port=50000), times_s, reply_s=reply_s, **how)
    return due(plant)


def test_starved_by_neighbour() -> None:
    """The master waits out three time-outs of 3 s at another device."""
    found = neighbour([20, 23, 26], None)
    assert told(found) == ("starved-by-neighbour", "certain")
    assert "192.0.2.10 meanwhile waited 10 s for 3 replies of other devices" in found["text"]


def test_poll_dropped() -> None:
    """The other device answers each request at once: why this one was not asked is not visible."""
    found = neighbour([20, 23, 26], 0.01)
    assert told(found) == ("poll-dropped", "certain")
    assert "3 requests to other devices meanwhile and none that feeds this one" in found["text"]


def test_a_neighbour_that_is_silent_for_a_moment_starves_nobody() -> None:
    """One missing reply of many, after which the master went on within 0.2 s, does not make ten seconds."""
    plant, link = polled_but()
    again_from(plant, link)
    other = master(plant, device=51, port=50000)
    poll(other, [20], reply_s=None, first=1)
    poll(other, every(0.2, 20.2, 30), reply_s=0.01, first=10)
    assert due(plant)["cause"] == "poll-dropped"


@pytest.mark.parametrize(("reply_s", "cause"), [(None, "starved-by-neighbour"), (0.01, "poll-dropped")])
def test_other_units_of_the_endpoint_are_neighbours_too(reply_s: float | None, cause: str) -> None:
    """Behind a gateway the master may wait for, or go on with, another unit: it was heard."""
    plant, link = polled_but()
    again_from(plant, link)
    poll(master(plant, port=50000), [20, 23, 26], reply_s=reply_s, unit=2)
    assert due(plant)["cause"] == cause


def test_master_not_heard() -> None:
    """Nothing of the master, while frames of other hosts go by."""
    plant, link = polled_but()
    again_from(plant, link)
    found = due(plant)
    assert told(found) == ("master-not-heard", "certain")
    assert len(found["evidence"]) == 2


def test_a_master_that_restarts_was_not_heard() -> None:
    """It comes back by opening a connection: the SYN at the silence's end is no sign of it before."""
    plant, _ = polled_but()
    at(plant, 29.9)
    again_from(plant, master(plant, port=51000).handshake())
    assert told(due(plant)) == ("master-not-heard", "certain")


def test_another_masters_requests_to_another_device_are_not_this_ones() -> None:
    """Its own master was not heard, whatever others do elsewhere."""
    plant, link = polled_but()
    again_from(plant, link)
    poll(master(plant, last=20, device=51), every(1, 0, 60))
    assert due(plant)["cause"] == "master-not-heard"


# asked-too-slowly


def test_asked_too_slowly_is_no_incident() -> None:
    """Every cycle is longer than the timeout: one finding, the pace in words, no incident."""
    plant = Plant()
    poll(master(plant), every(5, 0, 60))
    made = diagnosis(plant)
    (found,) = [f for f in made["findings"] if f["code"] == "watchdog-due"]
    assert (found["cause"], found["incident"]) == ("asked-too-slowly", None)
    assert "asked every 5 s" in found["text"]
    assert made["devices"][0]["state"] == "due"


def test_a_quick_poll_with_a_few_silences_is_not_slow() -> None:
    """Three silences among forty cycles are incidents of their own."""
    plant = Plant()
    poll(master(plant), every(1, 0, 15) + every(1, 20, 35) + every(1, 40, 50) + every(1, 55, 60))
    found = [f for f in diagnosis(plant)["findings"] if f["code"] == "watchdog-due"]
    assert [(f["cause"], f["incident"]) for f in found] == [("master-not-heard", n) for n in (1, 2, 3)]


def test_a_blank_is_measured_within_the_silence_only() -> None:
    """A recorder that stopped before the silence explains nothing of it."""
    plant = Plant()
    link = master(plant)
    poll(link, [0, *every(1, 8, 20), *every(1, 30, 60)])
    other = plant.connection(("192.0.2.98", 40000), ("192.0.2.99", 80))
    for seconds in every(0.5, 20, 30):
        at(plant, seconds)
        other.segment(MASTER)
    made = diagnosis(plant, background_s=None)
    found = {f["from"][17:26]: told(f) for f in made["findings"] if f["code"] == "watchdog-due"}
    assert found == {
        "05.000000": ("recording-gap", "open"),
        "24.000000": ("master-not-heard", "certain"),
    }
    assert made["devices"][0]["longest_silence_s"] * SECOND == 11 * SECOND
