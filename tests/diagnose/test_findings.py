"""Each finding in a built capture that shows it, and its look-alike, which must not raise it."""

from __future__ import annotations

from dataclasses import replace

from mbsniff.diagnose.catalogue import BY_CODE, CATALOGUE
from mbsniff.site.limits import Limits, Master
from tests.builders.adus import adu
from tests.builders.measured import DATA, at, poll
from tests.builders.plant import Plant
from tests.diagnose.built import SECOND, ZONE, codes, diagnosis, every, finding, master

WRITE = bytes.fromhex("0600280001")
READ_20, DATA_20 = bytes.fromhex("0300000014"), bytes.fromhex("0328") + bytes(40)
COILS, BITS = bytes.fromhex("0100000040"), bytes.fromhex("0108") + bytes(8)
BUSY = bytes.fromhex("8306")


def test_healthy_polling_raises_nothing() -> None:
    """A poll a second with a timeout of three: nothing at all, state fine."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60))
    made = diagnosis(plant)
    assert made["findings"] == []
    assert made["devices"][0]["state"] == "fine"
    assert made["devices"][0]["spare_polls"] == 2


def test_a_silence_beyond_the_timeout_is_due() -> None:
    """Ten seconds without a request while others are heard: certain, fault, state due, the due time in words."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    made = diagnosis(plant)
    found = finding(made, "watchdog-due")
    assert (found["level"], found["certainty"], found["incident"]) == ("fault", "certain", 1)
    assert made["devices"][0]["state"] == "due"
    assert found["from"] == made["devices"][0]["longest_silence_at"]


def test_a_silence_within_tolerance_is_not_due() -> None:
    """3.2 s against 3 s with 10 % tolerance is no fault, but close."""
    plant = Plant()
    poll(master(plant), [*every(1, 0, 20), *every(1, 22.2, 60)])
    assert codes(diagnosis(plant)) == {"watchdog-close", "near-misses"}


def test_a_silence_in_which_nothing_was_recorded_is_open() -> None:
    """A silent plant and a recorder that stopped look alike: risk, open, cause recording-gap."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    made = diagnosis(plant, background_s=None)
    found = finding(made, "watchdog-due")
    assert (found["level"], found["certainty"], found["cause"]) == ("risk", "open", "recording-gap")
    assert made["devices"][0]["state"] == "open"


def test_a_silence_with_unrecorded_requests_is_open() -> None:
    """Bytes of the master that the recording lacks may have fed the watchdog."""
    plant = Plant()
    asked = poll(master(plant), every(1, 0, 60))
    for sighting in asked[20:30]:
        sighting.lost = True
    for sighting in plant.wire:
        if 20 <= (sighting.time_ns - plant.wire[0].time_ns) / SECOND < 30 and sighting not in asked:
            sighting.lost = True
    found = finding(diagnosis(plant), "watchdog-due")
    assert (found["level"], found["certainty"], found["cause"]) == ("risk", "open", "recording-gap")


def test_an_end_beyond_the_timeout_is_due() -> None:
    """The recording goes on for ten seconds after the last request."""
    plant = Plant()
    poll(master(plant), every(1, 0, 50))
    found = finding(diagnosis(plant), "watchdog-due")
    assert (found["level"], found["certainty"]) == ("fault", "certain")
    assert "the recording ends before another request" in found["text"]


def test_polling_slower_than_the_timeout_is_one_finding() -> None:
    """Not an incident a cycle: the polling itself."""
    plant = Plant()
    poll(master(plant), every(5, 0, 60))
    due = [f for f in diagnosis(plant)["findings"] if f["code"] == "watchdog-due"]
    assert [f["cause"] for f in due] == ["asked-too-slowly"]


def test_nothing_is_judged_without_a_limit() -> None:
    """The same captures with no limit stated: no finding, state open."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60), request=READ_20, reply=DATA_20)
    made = diagnosis(plant, Limits())
    assert made["findings"] == []
    assert made["devices"][0]["state"] == "open"
    assert (
        made["devices"][0]["supported_timeout_s"] == 1.2
    )  # the longest healthy silence, 1 s and not 11, and a fifth


def test_a_device_only_probed_is_not_judged() -> None:
    """A scan of three requests gives no watchdog verdict."""
    plant = Plant()
    poll(master(plant), [0, 20, 40])
    made = diagnosis(plant)
    assert made["findings"] == []
    assert made["devices"][0]["state"] == "open"


def test_a_watchdog_that_never_trips_is_told() -> None:
    """A timeout of 0 in the site file; one not stated is something else."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    assert codes(diagnosis(plant, replace(ZONE, watchdog_ns=0))) == {"watchdog-off"}
    assert codes(diagnosis(plant, Limits())) == set()


def test_another_station_masks_the_silent_master() -> None:
    """The writing master stops for ten seconds, another one's reads go on: masked, not due."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60), request=WRITE, reply=WRITE)
    poll(master(plant, 20), every(2, 0.5, 60))
    made = diagnosis(plant)
    assert "watchdog-masked" in codes(made, "fault")
    assert "watchdog-due" not in codes(made)
    assert "192.0.2.10 was silent for 11" in finding(made, "watchdog-masked")["text"]


def test_a_redundant_master_that_takes_over_masks_nothing() -> None:
    """The same, with both masters in one redundancy group: they count as one."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60), request=WRITE, reply=WRITE)
    poll(master(plant, 20), every(1, 20.5, 29.5), request=WRITE, reply=WRITE)
    pair = [Master("a", ("192.0.2.10",), "plc"), Master("b", ("192.0.2.20",), "plc")]
    assert codes(diagnosis(plant, masters=pair)) <= {"watchdog-close"}


def test_masters_that_exceed_the_limit_only_together() -> None:
    """3 and 3 reads a second against 4; the sum is at fault, and both are named."""
    plant = Plant()
    poll(master(plant), every(1 / 3, 0, 60), reply_s=0.01)
    poll(master(plant, 20), every(1 / 3, 0.1, 60), reply_s=0.01)
    made = diagnosis(plant)
    assert codes(made, "fault") == {"masters-sum-over"}
    text = finding(made, "masters-sum-over")["text"]
    assert "192.0.2.10 at most 3.0/s" in text
    assert "192.0.2.20 at most 3.0/s" in text


def test_one_master_that_exceeds_the_limit_alone() -> None:
    """6 reads a second against 4 by one master: too dense, not a sum."""
    plant = Plant()
    poll(master(plant), every(1 / 6, 0, 60), reply_s=0.01)
    assert codes(diagnosis(plant), "fault") == {"reads-too-dense"}


def test_a_poll_at_exactly_the_limit_is_no_fault() -> None:
    """4 reads a second with jitter exceed 4 in single windows only."""
    plant = Plant()
    times = [t + 0.01 * (k % 3 - 1) for k, t in enumerate(every(0.25, 0.1, 60))]
    poll(master(plant), times, reply_s=0.01)
    made = diagnosis(plant)
    assert codes(made, "fault") == set()
    assert codes(made, "remark") == {"reads-too-dense"}


def test_a_burst_is_a_fault_only_with_trouble() -> None:
    """Six reads in a second: a remark; with busy replies in that second, a fault."""
    plant, busy = Plant(), Plant()
    for made, reply in ((plant, None), (busy, BUSY)):
        link = master(made)
        poll(link, every(1, 0, 30))
        extra = {"reply": reply} if reply else {}
        poll(link, every(0.15, 30.2, 30.95), reply_s=0.05, first=100, **extra)
        poll(link, every(1, 31, 60), first=200)
    assert codes(diagnosis(plant)) == {"reads-too-dense"}
    assert codes(diagnosis(plant), "remark") == {"reads-too-dense"}
    assert codes(diagnosis(busy), "fault") == {"reads-too-dense"}


def test_a_long_block_of_registers_but_not_of_coils() -> None:
    """20 registers against 16 is a fault; 64 coils are not held against a limit of registers."""
    registers, coils = Plant(), Plant()
    poll(master(registers), every(1, 0, 60), request=READ_20, reply=DATA_20)
    poll(master(coils), every(1, 0, 60), request=COILS, reply=BITS)
    assert codes(diagnosis(registers), "fault") == {"block-too-long"}
    assert codes(diagnosis(coils)) == set()


def test_missing_replies_are_told_but_not_lost_ones() -> None:
    """A request without a reply; a reply that the recorder missed is unknown, and no finding."""
    missing, lost = Plant(), Plant()
    for plant in (missing, lost):
        link = master(plant)
        poll(link, every(1, 0, 20))
        if plant is missing:
            poll(link, [20], reply_s=None, first=100)
        else:
            poll(link, [20], first=100)
            plant.wire[-1].lost = True
        poll(link, every(1, 21, 60), first=200)
    assert codes(diagnosis(missing)) == {"no-reply"}
    assert codes(diagnosis(lost)) == set()
    assert diagnosis(lost)["devices"][0]["unknown"] == 1


def test_late_replies_are_told_but_not_pipelining() -> None:
    """A reply after the master went on half a second later; a reply after a request that followed at once."""
    late, quick = Plant(), Plant()
    for plant, gap in ((late, 0.5), (quick, 0.01)):
        link = master(plant)
        poll(link, every(1, 0, 50))
        for number, begin in enumerate(every(2, 50, 60)):
            poll(link, [begin, begin + gap], reply_s=None, first=100 + 2 * number)
            for own in (0, 1):
                at(plant, begin + gap + 0.1 + own / 100)
                link.answer(adu(100 + 2 * number + own, 1, DATA), wait=0)
    assert codes(diagnosis(late)) >= {"late-reply"}
    assert "late-reply" not in codes(diagnosis(quick))
    assert diagnosis(quick)["devices"][0]["pipelined"] == 5


def test_exceptions_name_code_and_request() -> None:
    """Exception 02 to one read: a risk; 04 is a fault of the device."""
    refused, broken = Plant(), Plant()
    poll(master(refused), every(1, 0, 60), reply=bytes.fromhex("8302"))
    poll(master(broken), every(1, 0, 60), reply=bytes.fromhex("8304"))
    assert "exception-reply" in codes(diagnosis(refused), "risk")
    assert "02 illegal data address" in finding(diagnosis(refused), "exception-reply")["text"]
    assert "exception-reply" in codes(diagnosis(broken), "fault")


def test_two_writers_but_not_one_after_the_other() -> None:
    """Both write register 40 in turns; a master that takes over after the other ended is none."""
    both, after = Plant(), Plant()
    poll(master(both), every(1, 0, 60), request=WRITE, reply=WRITE)
    poll(master(both, 20), every(5, 0.5, 60), request=WRITE, reply=WRITE)
    poll(master(after), every(1, 0, 30), request=WRITE, reply=WRITE)
    poll(master(after, 20), every(1, 30, 60), request=WRITE, reply=WRITE)
    assert codes(diagnosis(both)) == {"second-writer"}
    assert codes(diagnosis(after)) == set()


def test_a_request_resent_by_the_master_but_not_by_tcp() -> None:
    """The same message anew is told; the same bytes sent again by TCP are not a second request."""
    resent, again = Plant(), Plant()
    for plant in (resent, again):
        link = master(plant)
        poll(link, every(1, 0, 20))
        poll(link, [20], reply_s=None, first=100)
        if plant is resent:
            poll(link, [20.6], first=100)
        else:
            at(plant, 20.6)
            link.again(0)
            link.answer(adu(100, 1, DATA))
        poll(link, every(1, 21, 60), first=200)
    assert "resent-request" in codes(diagnosis(resent))
    assert "resent-request" not in codes(diagnosis(again))
    assert diagnosis(again)["devices"][0]["sent_again_by_tcp"] == 1


def test_neighbouring_reads_are_scattered_but_not_those_apart() -> None:
    """Registers 0-3 and 4-7 in two requests would be one block; 0-3 and 40-43 would not."""
    close, apart = Plant(), Plant()
    for plant, second in ((close, 4), (apart, 40)):
        link = master(plant)
        for number, begin in enumerate(every(1, 0, 60)):
            for offset, start in ((0, 0), (0.3, second)):
                ask = bytes([3, 0, start, 0, 4])
                poll(link, [begin + offset], request=ask, reply=bytes.fromhex("0308") + bytes(8),
                     first=2 * number + (start > 0))  # fmt: skip
    assert codes(diagnosis(close), "remark") == {"scattered-reads"}
    assert codes(diagnosis(apart)) == set()


def test_silences_at_the_same_time_are_one_incident() -> None:
    """Two devices that fall silent together share a number; a later silence has another."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    poll(master(plant, device=51), every(1, 0.5, 20) + every(1, 29.5, 40) + every(1, 50, 60))
    made = diagnosis(plant, devices=("192.0.2.50", "192.0.2.51"))
    due = {(f["name"], f["incident"]) for f in made["findings"] if f["code"] == "watchdog-due"}
    assert due == {("zone 0", 1), ("zone 1", 1), ("zone 1", 2)}


def test_every_code_is_in_the_catalogue_once() -> None:
    """The table behind findings, their order and their reference page has each code once, fully described."""
    assert len(BY_CODE) == len(CATALOGUE)
    for kind in CATALOGUE:
        assert kind.brief and kind.meaning.endswith(".") and kind.look_alike.endswith(".")
        assert kind.advice.endswith(".")
