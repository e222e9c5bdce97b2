"""Nothing in, all evidence that the table of causes goes by out: each a small fact with a name and a meaning."""

from __future__ import annotations

from mbsniff.diagnose.causes import answers, commands, links, load, masters, recording, usual
from mbsniff.diagnose.causes.seen import ABSENT, UNTOLD, Fact, Seen
from mbsniff.diagnose.scene import Scene

EVIDENCE: tuple[Fact, ...] = (
    # The recording
    Fact(
        "as-usual", "The silence is no longer than the device is used to.", "it is longer than usual",
        usual.as_usual,
    ),
    Fact(
        "bytes-unrecorded", "TCP shows bytes of the masters in the silence that the recording lacks.",
        "TCP shows no request that the recording lacks", recording.bytes_unrecorded,
    ),
    Fact(
        "replies-unrecorded", "The recording lacks bytes in which replies that feed may have been.",
        "TCP shows no reply that the recording lacks", recording.replies_unrecorded,
    ),
    Fact(
        "blank-recording", "No frame of any kind was recorded for so long that the rest kept to the timeout.",
        "frames were recorded meanwhile", recording.blank_recording,
    ),
    Fact(
        "blank-stands-out", "Frames come so often otherwise that a stretch without any is no habit of the plant.",
        "frames are rare in the rest of the recording too", recording.blank_stands_out,
    ),
    Fact(
        "one-direction", "Nothing that the device sent is in the recording, at any time.",
        "both directions were recorded", recording.one_direction,
    ),
    Fact(
        "frames-lost", "TCP shows bytes of anybody in the silence that the recording lacks.",
        "TCP shows no loss by the recorder meanwhile", recording.frames_lost,
    ),
    Fact(
        "clock-stepped", "The recorder's clock goes back somewhere.", "the recorder's clock never goes back",
        recording.clock_stepped,
    ),
    # The masters that feed the device
    Fact(
        "asked-others", "They sent requests to other devices well within the silence.",
        "they asked no other device meanwhile", masters.asked_others,
    ),
    Fact(
        "asked-nobody", "For most of the silence they did nothing at all, to whomever, and waited for nobody.",
        "they asked somebody all the time", masters.asked_nobody,
    ),
    Fact(
        "waits-for-neighbour", "One spent at least half of the silence waiting for other devices in vain.",
        "they did not wait for other devices in vain", masters.waits_for_neighbour,
    ),
    Fact(
        "keep-alive-probes", "Their hosts sent keep-alive probes while they asked nobody.",
        "their hosts sent no keep-alive probe", masters.sent_probes,
    ),
    Fact(
        "tcp-heard", "Their hosts' TCP sent something while they asked nobody.",
        "their hosts' TCP said nothing", masters.tcp_heard,
    ),
    Fact(
        "ended-together", "One ended its connections to all devices that it had been asking within 0.1 s.",
        "their other connections went on", masters.ended_together,
    ),
    Fact(
        "others-heard", "Frames of other hosts were recorded through most of the silence.",
        "hardly any frame was recorded meanwhile", masters.others_heard,
    ),
    Fact(
        "master-heard", "Something shows that the masters' hosts lived while they asked nobody.",
        "nothing of the masters' hosts was heard", any_of=("keep-alive-probes", "tcp-heard"),
    ),
    # Their connections to the device
    Fact(
        "sent-again-unacknowledged", "TCP sent requests again, and nothing came back to these masters.",
        "no request had to be sent again in vain", links.sent_again_unacknowledged,
    ),
    Fact(
        "attempts-unanswered", "SYNs stayed without any answer.", "no attempt to connect stayed without an answer",
        links.attempts_unanswered,
    ),
    Fact(
        "attempts-refused", "A reset answered SYNs, more of them than stayed without an answer.",
        "no attempt to connect was refused", links.attempts_refused,
    ),
    Fact(
        "tried-in-vain", "The masters tried, and what they sent brought nothing.", "they did not try",
        any_of=("sent-again-unacknowledged", "attempts-unanswered", "missing-replies"),
    ),
    Fact(
        "sent-by-device-again", "The device sent replies or its part of handshakes again: nobody acknowledged them.",
        "nothing of the device had to be sent again", links.sent_by_device_again,
    ),
    Fact(
        "connection-ended", "A connection of theirs was closed or reset before they came back.",
        "no connection ended", links.connection_ended,
    ),
    Fact(
        "ended-by-device", "It was the device that ended the connection first.",
        "the device had ended no connection", links.ended_by_device,
    ),
    Fact(
        "connection-stayed", "Their connection stayed open, and nothing had to be sent again on it.",
        "their connection did not stay as it was", links.connection_stayed,
    ),
    Fact(
        "pushed-out", "The device ended the connection within 1 s of accepting another master's.",
        "no new master had just connected", links.pushed_out,
    ),
    Fact(
        "other-connection-healthy", "The device answered other masters well within the silence.",
        "it answered no other master meanwhile", links.others_served,
    ),
    Fact(
        "new-connection-at-once", "The first new attempt was accepted while the old connection was still dead.",
        "no new connection was accepted while the old one was dead", links.new_connection_at_once,
    ),
    Fact(
        "old-connection-resumes", "A connection on which data was sent again in vain goes on afterwards.",
        "no old connection went on afterwards", links.old_connection_resumes,
    ),
    Fact(
        "reset-to-old-data", "Not heard until then, the device answered data by a reset, as one that has lost its "
        "connections does (RFC 9293, 3.5.2).", "no reset answered old data", links.reset_to_old_data,
    ),
    # What the device made of requests
    Fact(
        "device-heard", "Something of the device was recorded well within the silence, repetitions apart.",
        "nothing of the device was heard", answers.device_heard,
    ),
    Fact(
        "acknowledged-without-reply", "Its TCP acknowledged requests that got no timely reply.",
        "its TCP acknowledged nothing", answers.acknowledged,
    ),
    Fact(
        "accepted-meanwhile", "Its TCP accepted connections well within the silence.",
        "its TCP accepted no connection", answers.accepted_meanwhile,
    ),
    Fact(
        "missing-replies", "Requests stayed without a timely reply.", "no request stayed without a reply",
        answers.missing_replies,
    ),
    Fact(
        "late-replies", "Replies came after the master had gone on: half of the missing ones, two at least.",
        "no reply came late", answers.late_replies,
    ),
    Fact(
        "target-exceptions", "Every request got a gateway's exception 0A or 0B (V1.1b3, 7).",
        "no gateway said that its target was silent", answers.target_exceptions,
    ),
    Fact(
        "other-exceptions", "Every request got an exception, not only a gateway's about its target.",
        "the device refused nothing", answers.other_exceptions,
    ),
    Fact(
        "unfeeding-requests", "Requests came through often enough, but none that feeds this watchdog.",
        "no other requests came through often enough", answers.unfeeding_requests,
    ),
    Fact(
        "other-units-served", "Another unit of the same endpoint answered without an exception.",
        "no other unit of the endpoint answered", answers.other_units_served,
    ),
    # Load
    Fact(
        "load-rose-first", "More was asked of the endpoint, all masters together, before it became slow, busy or "
        "silent.", "the load had not risen before", load.load_rose_first,
    ),
    Fact(
        "service-time-rose", "Its service time (reply - later of request and reply before) went far above what was "
        "usual.", "its service time had not risen", load.service_time_rose,
    ),
    Fact(
        "busy-replies", "The endpoint answered busy (06), which it had not done before.",
        "it did not say that it was busy", load.busy_replies,
    ),
    Fact(
        "overload-signs", "It became slow or said that it was busy.", "it became neither slow nor busy",
        any_of=("service-time-rose", "busy-replies"),
    ),
    # Commands
    Fact(
        "written-to-zero", "The last write of a setpoint before the silence, at most 60 s old, was a change to zero.",
        "no setpoint had been written to zero", commands.written_to_zero,
    ),
    Fact(
        "timeout-written", "The register that states the watchdog's timeout was written, at most 60 s before.",
        "its timeout had not been written", commands.timeout_written,
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
