"""Hardware addresses from the first frames of a recording."""

from __future__ import annotations

from pathlib import Path

import pytest

from mbsniff.capture import open_recording
from mbsniff.draft import hardware, hardware_addresses
from tests.builders.packets import ACK, COOKED, Link, tcp_packet
from tests.builders.recorder import PLAIN, pcap

SAMPLES = Path(__file__).parents[2] / "samples"
PLC, ZONE, FAR = ("192.0.2.10", 49152), ("192.0.2.51", 502), ("198.51.100.7", 502)
ROUTER = bytes.fromhex("00005e0053fe")


def found(folder: Path, frames: list[bytes], link: Link = PLAIN) -> dict[str, tuple[str, ...]]:
    """The hardware addresses of a capture of these frames."""
    path = folder / "made.pcap"
    path.write_bytes(pcap([(n * 10**9, frame, len(frame)) for n, frame in enumerate(frames, 1)], link))
    with open_recording([str(path)]) as recording:
        return hardware_addresses(recording, compiled=False)


def frame(
    source: tuple[str, int], target: tuple[str, int], hardware_end: int, *, tags: tuple[int, ...] = ()
) -> bytes:
    """An Ethernet frame whose sender's hardware address ends so."""
    whole = Link(tags=tags).wrap(tcp_packet(source, target, 1, 1, ACK, b""))
    return whole[:6] + bytes.fromhex("00005e0053") + bytes([hardware_end]) + whole[12:]


def arp(sender: str, hardware_end: int) -> bytes:
    """An announcement (RFC 826, RFC 5227, section 2.3)."""
    own = bytes.fromhex("00005e0053") + bytes([hardware_end])
    address = bytes(map(int, sender.split(".")))
    head = b"\xff" * 6 + own + bytes.fromhex("0806 0001 0800 0604 0001")
    return (head + own + address + bytes(6) + address).ljust(60, b"\0")


def test_the_samples_hosts() -> None:
    """Every host of the sample line has the address that its table gives it (RFC 7042, section 2.1.2)."""
    with open_recording([str(SAMPLES / "healthy-shift.pcap")]) as recording:
        seen = hardware_addresses(recording, compiled=False)
    hosts = {
        "192.0.2.10": "10",
        "192.0.2.20": "20",
        **{f"192.0.2.{50 + n}": f"{50 + n}" for n in range(1, 7)},
    }
    assert {a: h for a, h in seen.items() if a in hosts} == {
        address: (f"00-00-5E-00-53-{last}",) for address, last in hosts.items()
    }


@pytest.mark.parametrize("tags", [(), (0x8100,), (0x8100, 0x8100)])
def test_tagged_frames(tmp_path: Path, tags: tuple[int, ...]) -> None:
    """Up to one VLAN tag (IEEE 802.1Q) is looked behind; what lies deeper is left aside."""
    seen = found(tmp_path, [frame(ZONE, PLC, 0x51, tags=tags)])
    assert seen == ({"192.0.2.51": ("00-00-5E-00-53-51",)} if len(tags) < 2 else {})


def test_ip6(tmp_path: Path) -> None:
    """IPv6 packets tell it too."""
    seen = found(tmp_path, [frame(("2001:db8::51", 502), ("2001:db8::10", 49152), 0x51)])
    assert seen == {"2001:db8::51": ("00-00-5E-00-53-51",)}


def test_a_router_hides_the_stations_behind_it(tmp_path: Path) -> None:
    """A sender of packets from several addresses is no station of theirs, unless it says so itself."""
    packets = [frame(FAR, PLC, 0xFE), frame(("198.51.100.8", 502), PLC, 0xFE), frame(ZONE, PLC, 0x51)]
    assert found(tmp_path, packets) == {"192.0.2.51": ("00-00-5E-00-53-51",)}
    assert found(tmp_path, [*packets, arp("198.51.100.7", 0xFE)])["198.51.100.7"] == ("00-00-5E-00-53-FE",)


def test_two_stations_with_one_address(tmp_path: Path) -> None:
    """Both are told, in order."""
    seen = found(tmp_path, [arp("192.0.2.51", 0x52), arp("192.0.2.51", 0x51)])
    assert seen == {"192.0.2.51": ("00-00-5E-00-53-51", "00-00-5E-00-53-52")}


def test_short_frames_and_other_links(tmp_path: Path) -> None:
    """Frames that were cut short of the address, or have no Ethernet header, tell nothing."""
    whole = frame(ZONE, PLC, 0x51)
    assert found(tmp_path, [whole[:n] for n in range(30)]) == {}
    assert found(tmp_path, [whole[:30]]) == {"192.0.2.51": ("00-00-5E-00-53-51",)}
    cooked = Link(COOKED)
    assert found(tmp_path, [cooked.wrap(tcp_packet(ZONE, PLC, 1, 1, ACK))], cooked) == {}


def test_only_the_first_frames_are_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A long recording is not read to its end."""
    monkeypatch.setattr(hardware, "MOST_FRAMES", 1)
    path = tmp_path / "made.pcap"
    frames = [frame(ZONE, PLC, 0x51), frame(PLC, ZONE, 0x10)]
    path.write_bytes(pcap([(n * 10**9, one, len(one)) for n, one in enumerate(frames, 1)]))
    with open_recording([str(path)], batch_rows=1) as recording:
        assert list(hardware_addresses(recording, compiled=False)) == ["192.0.2.51"]
