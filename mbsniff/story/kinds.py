"""Everything that a story can tell of, as one table: code → weight, and the sentence for one and for several."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """A kind of moment. Fields of the sentences: who, whom, what; times: "4 times until 02:13:09.120"."""

    code: str
    weight: int
    """The greater, the sooner it is told where room is short; marks (100) always."""
    one: str
    many: str = ""
    """Empty: the sentence for one holds for several as well."""
    is_context: bool = True
    """Whether it is told of the seconds before and after as well; else of the silence or moment alone."""


KINDS: tuple[Kind, ...] = (
    # marks
    Kind("last-healthy", 100, "last healthy exchange: {what}"),
    Kind("last-feed", 96, "last request that may have counted: {what}"),
    Kind("watchdog-due", 100, "{whom}'s watchdog {what}"),
    Kind("first-feed", 96, "requests return: {what}"),
    Kind("first-healthy", 100, "first healthy exchange: {what}"),
    Kind("recording-ends", 100, "the recording ends without another healthy exchange"),
    Kind("recording-begins", 60, "the recording begins; no healthy exchange was seen before"),
    # requests to the device and its replies
    Kind("no-reply", 90, "{who} asked {whom} ({what}) and got no reply",
         "{who} asked {whom} ({what}) and got no reply, {times}"),
    Kind("taken-no-reply", 90, "{whom}'s TCP acknowledged {who}'s request ({what}), but no reply came",
         "{whom}'s TCP acknowledged {who}'s request ({what}), but no reply came, {times}"),
    Kind("open", 60, "{who} asked {whom} ({what}); no reply up to the recording's end",
         "{who} asked {whom} ({what}), {times}; no reply up to the recording's end"),
    Kind("not-recorded", 70, "{who} asked {whom}; a reply may have come, but bytes are missing in the recording",
         "{who} asked {whom}; replies may have come, but bytes are missing in the recording, {times}"),
    Kind("late-reply", 88, "{whom} replied only after {who} had given up ({what})",
         "{whom} replied only after {who} had given up ({what}), {times}"),
    Kind("slow-reply", 84, "{whom} took longer than usual to reply to {who}: {what}",
         "{whom} took longer than usual to reply to {who}, {times}: {what}"),
    Kind("exception", 86, "{whom} answered {who} with {what}", "{whom} answered {who} with {what}, {times}"),
    Kind("refused-write", 88, "{whom} refused {who}'s {what}", "{whom} refused {who}'s {what}, {times}"),
    Kind("asked", 72, "{who} went on asking {whom}: {what}", is_context=False),
    Kind("asked-last", 0, "{whom} answered {who}: {what}", is_context=False),
    Kind("asked-now", 72, "{who} asked {whom}: {what}", is_context=False),
    Kind("wrote", 80, "{who} wrote {what} to {whom}",
         "{who} wrote to {whom}, {times}, the last value: {what}"),
    Kind("wrote-often", 30, "{who} wrote {what} to {whom}, as it does all the time",
         "{who} wrote to {whom}, {times}, the last value: {what}"),
    Kind("wrote-zero", 92, "{who} wrote {what} to {whom}",
         "{who} wrote to {whom}, {times}, the last value: {what}"),
    Kind("reset-trip", 93, "{who} reset {whom}'s trip ({what})", "{who} reset {whom}'s trip ({what}), {times}"),
    Kind("in-force", 85, "as {who} wrote it last: {what}"),
    # what the device's own status register says
    Kind("fell-back", 99, "{whom}'s status register ({what}): it fell back"),
    Kind("came-back", 94, "{whom}'s status register ({what}): it is back"),
    Kind("no-trip", 94, "{whom}'s status register ({what}): no trip"),
    Kind("whole-again", 50, "every cyclic poll of {whom} was asked once more"),
    # the connection
    Kind("sent-again", 82, "no acknowledgement from {whom}: {who}'s TCP sent again",
         "no acknowledgement from {whom}: {who}'s TCP sent again, {times}"),
    Kind("replied-again", 82, "no acknowledgement from {whom}: {who}'s TCP sent its reply again",
         "no acknowledgement from {whom}: {who}'s TCP sent its reply again, {times}"),
    Kind("connect-unanswered", 83, "{who} tried to connect to {whom}: no answer",
         "{who} tried to connect to {whom}, {times}: no answer"),
    Kind("connect-refused", 87, "{whom} refused {who}'s attempt to connect (reset)",
         "{whom} refused {who}'s attempts to connect (reset), {times}"),
    Kind("connect-unfinished", 62, "{whom} accepted a connection, but {who} did not confirm it",
         "{whom} accepted a connection, but {who} did not confirm it, {times}"),
    Kind("connected", 66, "{who} opened a connection to {whom}", "{who} opened connections to {whom}, {times}"),
    Kind("closed-too", 0, "{who} closed the connection with {whom} as well", is_context=False),
    Kind("closed", 78, "{who} closed a connection with {whom}", "{who} closed connections with {whom}, {times}"),
    Kind("reset", 79, "{who} reset a connection with {whom}", "{who} reset connections with {whom}, {times}"),
    Kind("probed", 58, "{who}'s TCP asked whether {whom} is still there (keep-alive)",
         "{who}'s TCP asked whether {whom} is still there (keep-alive), {times}", is_context=False),
    Kind("window-closed", 88, "{who} told {whom} to send nothing more for now (window closed)",
         "{who} told {whom} to send nothing more for now (window closed), {times}"),
    Kind("window-opened", 56, "{who} takes data of {whom} again (window opened)",
         "{who} takes data of {whom} again (window opened), {times}"),
    Kind("bytes-missing", 75, "the recording lacks {what} that {who} sent to {whom}",
         "the recording lacks {what} that {who} sent to {whom}, {times}"),
    # masters and other devices meanwhile
    Kind("asked-nobody", 93, "{who} sent no request to anyone {what}", is_context=False),
    Kind("asked-others", 85, "{who} went on asking {whom}: {what}", is_context=False),
    Kind("others-no-reply", 86, "{who} got no reply from {whom} either: {what}", is_context=False),
    Kind("waited-for", 89, "{who} waited for {whom}: {what}", is_context=False),
    Kind("others-silent", 91, "{whom} had no feed either: {what}", is_context=False),
    # beside TCP: the network
    Kind("lookup-unanswered", 83, "{who} looked for {whom}'s hardware address: no answer",
         "{who} looked for {whom}'s hardware address, {times}: no answer"),
    Kind("lookup-answered", 0, "{who} looked for {whom}'s hardware address, and got an answer",
         "{who} looked for {whom}'s hardware address, and got an answer, {times}"),
    Kind("claimed", 97, "another host claimed {whom}'s address: {who}",
         "another host claimed {whom}'s address, {times}: {who}"),
    Kind("announced", 87, "{whom} announced its address, as when a link or a host starts, or defends it",
         "{whom} announced its address, {times}, as when a link or a host starts, or defends it"),
    Kind("announced-other", 95, "{who}'s hardware announced another address: {what}",
         "{who}'s hardware announced another address, {times}: {what}"),
    Kind("other-origin", 94, "a segment in {whom}'s name came from other hardware ({what})",
         "segments in {whom}'s name came from other hardware ({what}), {times}"),
    Kind("host-alive", 85, "{whom}'s host answered an echo request",
         "{whom}'s host answered echo requests, {times}", is_context=False),
    Kind("host-alive-too", 0, "{whom}'s host answered an echo request",
         "{whom}'s host answered echo requests, {times}", is_context=False),
    Kind("host-silent", 85, "{whom}'s host did not answer an echo request",
         "{whom}'s host did not answer echo requests, {times}", is_context=False),
    Kind("host-error", 90, "{who} said that {whom} is {what}", "{who} said that {whom} is {what}, {times}"),
    Kind("lease", 60, "{whom} was given its address again ({what}) by the address server"),
    Kind("lease-other", 97, "the address server gave {whom} another address: {what}",
         "the address server gave {whom} another address, {times}: {what}"),
    Kind("lease-asked", 0, "{who} asked the address server for an address",
         "{who} asked the address server for an address, {times}"),
    Kind("lease-lost", 88, "{whom}'s address was {what} (address server)",
         "{whom}'s address was {what} (address server), {times}"),
    Kind("tree-changed", 92, "a switch told that the spanning tree changed",
         "switches told that the spanning tree changed, {times}"),
    Kind("tree-hello", 0, "a switch told of another root, role or port: {who}",
         "a switch told of another root, role or port, {times}: {who}"),
    Kind("storm", 95, "frames to all or many hosts soared: {what}"),
    # the recording
    Kind("blank-short", 0, "no frame of any kind was recorded for {what}", is_context=False),
    Kind("blank", 91, "no frame of any kind was recorded for {what}", is_context=False),
)  # fmt: skip

BY_CODE = {kind.code: kind for kind in KINDS}

SIGNS = frozenset({
    "no-reply", "taken-no-reply", "late-reply", "exception", "sent-again", "replied-again", "connect-unanswered",
    "connect-refused", "connect-unfinished", "closed", "reset", "asked-nobody",
})  # fmt: skip
"""Kinds that are a sign of something wrong with the communication of a device."""
