"""Nothing in, all evidence that the table of causes goes by out: each a small fact with a name and a meaning."""

from __future__ import annotations

from mbsniff.diagnose.causes import (
    answers,
    commands,
    hosts,
    identity,
    links,
    load,
    masters,
    news,
    recording,
    usual,
)
from mbsniff.diagnose.causes.seen import ABSENT, UNTOLD, Fact, Seen
from mbsniff.diagnose.scene import Scene

# Name; meaning, for the reference page; in a few words where it is there; where it is not; who looks for it.
EVIDENCE: tuple[Fact, ...] = (
    # The recording
    Fact(
        "as-usual", "The silence is no longer than the device is used to.", "it is no longer than usual",
        "it is longer than usual", usual.as_usual,
    ),
    Fact(
        "bytes-unrecorded", "TCP shows bytes of the masters in the silence that the recording lacks.",
        "TCP shows requests that the recording lacks", "TCP shows no request that the recording lacks",
        recording.bytes_unrecorded,
    ),
    Fact(
        "replies-unrecorded", "The recording lacks bytes in which replies that feed may have been.",
        "TCP shows replies that the recording lacks", "TCP shows no reply that the recording lacks",
        recording.replies_unrecorded,
    ),
    Fact(
        "blank-recording",
        "No frame of any kind was recorded for so long that the rest kept to the timeout.",
        "no frame at all was recorded", "frames were recorded meanwhile", recording.blank_recording,
    ),
    Fact(
        "blank-stands-out",
        "Frames come so often otherwise that a stretch without any is no habit of the plant.",
        "frames are frequent otherwise", "frames are rare in the rest of the recording too",
        recording.blank_stands_out,
    ),
    Fact(
        "one-direction", "Nothing that the device sent is in the recording, at any time.",
        "nothing of the device is recorded at all", "both directions were recorded",
        recording.one_direction,
    ),
    Fact(
        "frames-lost", "TCP shows bytes of anybody in the silence that the recording lacks.",
        "the recorder lost frames meanwhile", "TCP shows no loss by the recorder meanwhile",
        recording.frames_lost,
    ),
    Fact(
        "clock-stepped", "The recorder's clock goes back somewhere.", "the recorder's clock goes back",
        "the recorder's clock never goes back", recording.clock_stepped,
    ),
    # The masters that feed the device
    Fact(
        "asked-others", "They sent requests to other devices well within the silence.",
        "the other devices went on being asked", "they asked no other device meanwhile",
        masters.asked_others,
    ),
    Fact(
        "asked-nobody",
        "For most of the silence they did nothing at all, to whomever, and waited for nobody.",
        "they asked nobody at all", "they asked somebody all the time", masters.asked_nobody,
    ),
    Fact(
        "waits-for-neighbour", "One spent at least half of the silence waiting for other devices.",
        "they were waiting for another device", "they did not wait for other devices",
        masters.waits_for_neighbour,
    ),
    Fact(
        "keep-alive-probes",
        "Their hosts sent keep-alive probes (RFC 1122, 4.2.3.6) while they asked nobody.",
        "their hosts went on probing connections", "their hosts sent no keep-alive probe",
        masters.sent_probes,
    ),
    Fact(
        "tcp-heard", "Their hosts' TCP sent something while they asked nobody.",
        "their hosts' TCP was heard", "their hosts' TCP said nothing", masters.tcp_heard,
    ),
    Fact(
        "host-answers", "Their hosts sent look-ups or echoes, or answered some, while they asked nobody.",
        "their hosts went on answering", "their hosts answered no look-up and no echo",
        hosts.master_answers,
    ),
    Fact(
        "master-heard", "Something shows that the masters' hosts lived while they asked nobody.",
        "their hosts were heard", "nothing of the masters' hosts was heard",
        any_of=("keep-alive-probes", "host-answers", "tcp-heard"),
    ),
    Fact(
        "master-asked-in-vain", "Others looked their addresses up, or sent them echoes, and got no answer.",
        "their hosts answered nobody", "nobody asked their hosts in vain", hosts.master_asked_in_vain,
    ),
    Fact(
        "master-announced", "Their hosts announced an address before they asked again.",
        "their hosts announced themselves", "their hosts did not announce themselves",
        hosts.master_announced,
    ),
    Fact(
        "ended-together", "One ended its connections to all devices that it had been asking within 0.1 s.",
        "they ended all their connections at once", "their other connections went on",
        masters.ended_together,
    ),
    Fact(
        "others-heard", "Frames of other hosts were recorded through most of the silence.",
        "others were heard meanwhile", "hardly any frame was recorded meanwhile", masters.others_heard,
    ),
    # Their connections to the device
    Fact(
        "sent-again-unacknowledged", "TCP sent requests again, and nothing came back to these masters.",
        "requests were sent again in vain", "no request had to be sent again in vain",
        links.sent_again_unacknowledged,
    ),
    Fact(
        "attempts-unanswered", "SYNs stayed without any answer.",
        "attempts to connect stayed without an answer", "no attempt to connect stayed without an answer",
        links.attempts_unanswered,
    ),
    Fact(
        "attempts-refused", "A reset answered SYNs, more of them than stayed without an answer.",
        "attempts to connect were answered by resets", "no attempt to connect was refused",
        links.attempts_refused,
    ),
    Fact(
        "tried-in-vain", "The masters tried, and what they sent brought nothing.", "they tried",
        "they did not try",
        any_of=("sent-again-unacknowledged", "attempts-unanswered", "missing-replies", "lookups-unanswered"),
    ),
    Fact(
        "sent-by-device-again",
        "The device sent replies or its part of handshakes again: nobody acknowledged them.",
        "the device is recorded, but not acknowledged", "nothing of the device had to be sent again",
        links.sent_by_device_again,
    ),
    Fact(
        "connection-ended", "A connection of theirs was closed or reset before they came back.",
        "a connection ended", "no connection ended", links.connection_ended,
    ),
    Fact(
        "ended-by-device", "It was the device that ended the connection first.",
        "the device ended its connection first", "the device had ended no connection",
        links.ended_by_device,
    ),
    Fact(
        "connection-stayed", "Their connection stayed open, and nothing had to be sent again on it.",
        "their connection stayed open and quiet", "their connection did not stay as it was",
        links.connection_stayed,
    ),
    Fact(
        "pushed-out", "The device ended the connection within 1 s of accepting another master's.",
        "another master had just connected", "no new master had just connected", links.pushed_out,
    ),
    Fact(
        "other-connection-healthy", "The device answered other masters well within the silence.",
        "it answered other masters meanwhile", "it answered no other master meanwhile", links.others_served,
    ),
    Fact(
        "new-connection-at-once",
        "The first new attempt was accepted while the old connection was still dead.",
        "a new connection worked while the old one was dead",
        "no new connection was accepted while the old one was dead", links.new_connection_at_once,
    ),
    Fact(
        "old-connection-resumes", "A connection on which data was sent again in vain goes on afterwards.",
        "an old connection goes on afterwards", "no old connection went on afterwards",
        links.old_connection_resumes,
    ),
    Fact(
        "reset-to-old-data",
        "Not heard until then, or having announced itself, the device answered data by a reset, as "
        "one does that has lost its connections (RFC 9293, 3.5.2).", "old data was answered by a reset",
        "no reset answered old data", links.reset_to_old_data,
    ),
    # What the device made of requests
    Fact(
        "device-heard", "Something of the device was recorded while the masters tried, repetitions apart.",
        "the device was heard", "nothing of the device was heard", answers.device_heard,
    ),
    Fact(
        "acknowledged-without-reply", "Its TCP acknowledged requests that got no timely reply.",
        "its TCP acknowledged requests", "its TCP acknowledged nothing", answers.acknowledged,
    ),
    Fact(
        "accepted-meanwhile", "Its TCP accepted connections well within the silence.",
        "its TCP accepted connections", "its TCP accepted no connection", answers.accepted_meanwhile,
    ),
    Fact(
        "window-closed", "The device's TCP said that it has room for no more (window 0).",
        "its TCP had no more room for requests", "its TCP always had room", answers.window_closed,
    ),
    Fact(
        "missing-replies", "Requests stayed without a timely reply.",
        "requests stayed without a timely reply", "no request stayed without a reply",
        answers.missing_replies,
    ),
    Fact(
        "late-replies",
        "Replies came after the master had gone on: half of the missing ones, two at least.",
        "replies came late", "no reply came late", answers.late_replies,
    ),
    Fact(
        "target-exceptions", "Most requests got a gateway's exception 0A or 0B, and no other (V1.1b3, 7).",
        "a gateway said that its target does not answer", "no gateway said that its target was silent",
        answers.target_exceptions,
    ),
    Fact(
        "other-exceptions", "Most requests got an exception, not only a gateway's about its target.",
        "requests were answered by exceptions", "the device refused nothing", answers.other_exceptions,
    ),
    Fact(
        "asked-itself", "The masters sent it requests well within the silence.", "it went on being asked",
        "it was not asked", answers.asked_itself,
    ),
    Fact(
        "unfeeding-requests", "Requests came through often enough, but none that feeds this watchdog.",
        "other requests came through all the time", "no other requests came through often enough",
        answers.unfeeding_requests,
    ),
    Fact(
        "other-units-served", "Another unit of the same endpoint answered without an exception.",
        "other units of the endpoint answered", "no other unit of the endpoint answered",
        answers.other_units_served,
    ),
    # Load
    Fact(
        "load-rose-first",
        "More was asked of the endpoint, all masters together, before it became slow, busy or silent.",
        "the load had risen before", "the load had not risen before", load.load_rose_first,
    ),
    Fact(
        "service-time-rose",
        "Its service time (reply - later of request and reply before) went far above what was usual.",
        "its service time had risen", "its service time had not risen", load.service_time_rose,
    ),
    Fact(
        "busy-replies", "The endpoint answered busy (06), which it had not done before.",
        "it said that it was busy", "it did not say that it was busy", load.busy_replies,
    ),
    Fact(
        "overload-signs", "It became slow or said that it was busy.", "it became slow or busy",
        "it became neither slow nor busy", any_of=("service-time-rose", "busy-replies"),
    ),
    # Hosts and addresses
    Fact(
        "lookups-unanswered",
        "The device's address was looked up, or sent echoes, while the masters tried, and nobody "
        "answered.", "look-ups of its address stayed without an answer",
        "no look-up of its address stayed without an answer", hosts.lookups_unanswered,
    ),
    Fact(
        "device-host-answers",
        "The device's host answered look-ups or echoes while the masters tried, before it announced "
        "itself.", "its host answered look-ups or echoes", "its host answered no look-up and no echo",
        hosts.host_answers,
    ),
    Fact(
        "announced-by-device", "The device's own hardware address announced its address in the silence.",
        "it announced its address", "it did not announce its address", hosts.device_announced,
    ),
    Fact(
        "host-errors", "A host or router said by ICMP that packets to the device do not arrive.",
        "a router said that it is not to be reached", "nobody said by ICMP that it is not to be reached",
        hosts.host_errors,
    ),
    Fact(
        "two-hardware-addresses",
        "Two hardware addresses claim the device's address by turns (a single change is a move, "
        "failover or replacement).", "two hardware addresses claimed its address by turns",
        "no second hardware address claimed its address by turns", identity.two_hardware_addresses,
    ),
    Fact(
        "hardware-address-changed", "The device's address went from one hardware address to another, once.",
        "another hardware address had its address from then on", "its hardware address stayed the same",
        identity.hardware_address_changed,
    ),
    Fact(
        "lease-gave-other-address",
        "A lease, or an announcement, gives the device's own hardware address another address.",
        "its hardware address has another address", "its hardware address was given no other address",
        identity.lease_gave_other_address,
    ),
    Fact(
        "lease-refused", "The device asked for a lease and was refused one (RFC 2131, 4.3.2).",
        "it was refused its address", "it was refused no lease", identity.lease_refused,
    ),
    Fact(
        "reset-from-own-hardware",
        "The reset came from the hardware address and with the hop count of the device's other "
        "segments.", "the reset came from its own hardware", "no reset came from its own hardware",
        identity.reset_from_own_hardware,
    ),
    Fact(
        "reset-from-elsewhere",
        "A reset came from another hardware address or hop count than the device's other segments.",
        "the reset came from elsewhere", "no reset came from elsewhere", identity.reset_from_elsewhere,
    ),
    # The network at large
    Fact(
        "several-at-once", "Masters tried in vain to reach other endpoints at the same time.",
        "other devices were lost at once", "no other device was lost at the time", news.several_at_once,
    ),
    Fact(
        "tree-changed",
        "Bridges said that their spanning tree changed, from 5 s before the silence until 15 s after "
        "it.", "bridges told of a change of the spanning tree",
        "no bridge told of a change of the spanning tree", news.tree_changed,
    ),
    Fact(
        "broadcasts-soared",
        "Frames to groups of hosts were 10 times as many as usual, and 100 in a second at least.",
        "broadcasts soared", "broadcasts did not soar", news.broadcasts_soared,
    ),
    Fact(
        "network-news", "The network itself changed, or was flooded.",
        "the network itself changed or was flooded", "bridges and broadcasts told of nothing",
        any_of=("tree-changed", "broadcasts-soared"),
    ),
    # Commands
    Fact(
        "written-to-zero",
        "The last write of a setpoint before the silence, at most 60 s old, was a change to zero.",
        "a setpoint had been written to zero", "no setpoint had been written to zero",
        commands.written_to_zero,
    ),
    Fact(
        "timeout-written",
        "The register that states the watchdog's timeout was written, at most 60 s before.",
        "its timeout had been written", "its timeout had not been written", commands.timeout_written,
    ),
)  # fmt: skip
BY_NAME = {fact.name: fact for fact in EVIDENCE}


def seen(scene: Scene, name: str) -> Seen:
    """What a piece of evidence shows in a scene; each is looked for once."""
    if name not in scene.told:
        scene.told[name] = _look(scene, BY_NAME[name])
    found: Seen = scene.told[name]
    return found


def _look(scene: Scene, fact: Fact) -> Seen:
    if fact.find is not None:
        return fact.find(scene)
    parts = [seen(scene, name) for name in fact.any_of]
    there = next((part for part in parts if part.present), None)
    if there is not None:
        return there
    return UNTOLD if any(part.present is None for part in parts) else ABSENT
