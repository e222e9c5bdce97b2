"""The plans of the recordings under causes/: one planted cause each, from health to failure and back."""

from __future__ import annotations

from typing import Any

from plant.plan import (
    Act,
    Away,
    Cabling,
    Lease,
    PlcPlan,
    Recipe,
    Scenario,
    StationPlan,
    TerminalJob,
    ZonePlan,
)
from plant.recipes import ROLLS, RYE, RYE_WITHOUT_ZONE_3

SUPERVISION = StationPlan(period_s=2.0, zones=(5, 6), pings=("plc",))  # proves that recorder and switch live
ELSEWHERE = "192.0.2.63"  # where zone 3 should not be
PAGE = ((0, 16),)


def cause(name: str, span_s: float = 22.0, **planted: Any) -> Scenario:
    """Make a plan in which nothing is different but what is planted."""
    usual: dict[str, Any] = {
        "recipes": (Recipe(0, RYE),),
        "masters_from_s": -3.07,
        "station": SUPERVISION,
        "fed_by_plc": True,
    }
    return Scenario(name=name, file=f"causes/{name}.pcap.gz", span_s=span_s, **(usual | planted))


CAUSES = (
    cause("master-killed", acts=(Act(7, "kill", "plc"), Act(14, "start", "plc"))),
    cause("master-stopped", acts=(Act(7, "stop", "plc"), Act(14, "continue", "plc"))),
    cause("master-idle", plc=PlcPlan(keep_alive_s=2, unasked=(Away(0, 7, 15),))),
    cause("poll-dropped", plc=PlcPlan(unasked=(Away(3, 7, 14),))),
    cause("device-link-down", acts=(Act(7, "link down", "zone3"), Act(14, "link up", "zone3"))),
    cause("master-link-down", acts=(Act(7, "link down", "plc"), Act(14, "link up", "plc"))),
    cause(
        "trunk-down",
        station=StationPlan(period_s=2.0, timeout_s=15.0, zones=(1, 5, 6), pings=("plc",)),
        cabling=Cabling(far=("zone4", "zone5", "zone6"), trunks=1),
        acts=(Act(7, "trunk down", "trunk1"), Act(14, "trunk up", "trunk1")),
    ),
    cause("return-path-lost", acts=(Act(7, "lose replies", "zone3"), Act(14, "find replies", "zone3"))),
    cause("device-stalled", acts=(Act(7, "stop", "zone3"), Act(14, "continue", "zone3"))),
    cause(
        "replies-late",
        span_s=24.0,
        plc=PlcPlan(retries=0, keeps_connection=True),
        zones={3: ZonePlan(work_s=((6.9, 0.0), (7.0, 1.15), (14.8, 1.15), (14.9, 0.0)))},
    ),
    cause(
        "device-saturated",
        span_s=30.0,
        plc=PlcPlan(retries=0),
        zones={3: ZonePlan(surplus_s=0.02, surplus_max_s=0.4, busy_from=5)},
        terminal=tuple(TerminalJob(6.0 + 0.8 * n, 15.0, (3,), 0.1, PAGE, 4.0) for n in range(5)),
    ),
    cause(
        "device-slow",
        span_s=26.0,
        plc=PlcPlan(retries=0),
        zones={3: ZonePlan(work_s=((5.0, 0.0), (9.0, 0.9), (10.0, 2.6), (16.0, 2.6), (16.5, 0.0)))},
    ),
    cause(
        "no-free-slot",
        plc=PlcPlan(hangs_up=((3, 7.2),), reconnect_s=1.5),
        zones={3: ZonePlan(slots=1)},
        terminal=(TerminalJob(5.0, 14.0, (3,), 0.4, PAGE),),
    ),
    cause("port-closed", acts=(Act(7, "kill", "zone3"), Act(14, "start", "zone3"))),
    cause(
        "device-restarted",
        plc=PlcPlan(timeout_s=12.0, retries=0),
        acts=(Act(7, "unplug", "zone3"), Act(9.5, "plug in", "zone3")),
    ),
    cause(
        "address-conflict",
        span_s=28.0,
        station=StationPlan(period_s=2.0, zones=(3, 5, 6), pings=("plc",)),
        announces=("zone3", "stranger"),
        acts=(Act(7, "plug in", "stranger"), Act(14, "unplug", "stranger")),
    ),
    cause(
        "link-back",
        plc=PlcPlan(timeout_s=12.0, retries=0),
        acts=(Act(7, "link down", "zone3"), Act(11, "link up", "zone3")),
    ),
    cause(
        "window-closed",
        span_s=26.0,
        plc=PlcPlan(timeout_s=0.3, retries=2, keeps_connection=True, exchanged=(3,)),
        zones={3: ZonePlan(keeps_little=True)},
        acts=(Act(7, "stop", "zone3"), Act(16, "continue", "zone3")),
    ),
    cause(
        "evicted",
        plc=PlcPlan(reconnect_s=6.0),
        zones={3: ZonePlan(slots=1, evicts=True)},
        terminal=(TerminalJob(7.2, 11.0, (3,), 0.4, PAGE),),
    ),
    cause("lease-refused", leases=(Lease(7.0, ""), Lease(14.0, "192.0.2.53"))),
    cause("address-moved", span_s=25.0, leases=(Lease(7.0, ELSEWHERE), Lease(16.0, "192.0.2.53"))),
    cause(
        "flow-forgotten",
        station=StationPlan(period_s=2.0, zones=(3, 5, 6), pings=("plc",)),
        plc=PlcPlan(timeout_s=5.5, retries=0),
        acts=(Act(7, "forget flow", "zone3"),),
    ),
    cause(
        "starved-by-neighbour",
        span_s=26.0,
        plc=PlcPlan(in_sequence=True, timeout_s=2.0),
        acts=(Act(7, "stop", "zone2"), Act(17, "continue", "zone2")),
    ),
    cause("target-dead", gateway=True, acts=(Act(7, "stop", "fan2"), Act(14, "continue", "fan2"))),
    cause("recorder-stopped", recorder_away=(7.0, 13.0)),
    cause("connection-ended", plc=PlcPlan(reconnect_s=6.0), zones={3: ZonePlan(hangs_up_at_s=7.2)}),
    cause("feed-wrong", plc=PlcPlan(unwritten=(Away(3, 7, 14),))),
    cause("commanded", recipes=(Recipe(0, RYE), Recipe(7, RYE_WITHOUT_ZONE_3), Recipe(14, RYE))),
    cause(
        "zone-switched-off",
        recipes=(Recipe(0, RYE), Recipe(7, RYE_WITHOUT_ZONE_3), Recipe(14, RYE)),
        plc=PlcPlan(unasked=(Away(3, 8.5, 14),)),
    ),
    cause(
        "spanning-tree-change",
        span_s=26.0,
        station=StationPlan(period_s=2.0, zones=(1, 5, 6), pings=("plc",)),
        cabling=Cabling(far=("zone4", "zone5", "zone6"), trunks=2, spanning_tree=True),
        acts=(Act(7, "trunk down", "trunk1"),),
    ),
    cause(
        "broadcast-storm",
        station=StationPlan(period_s=2.0, zones=(1, 5, 6), pings=("plc",)),
        cabling=Cabling(far=("zone4", "zone5", "zone6"), trunks=1, trunk_kbit_per_s=16),
        storm=(7.0, 14.0),
    ),
    cause(
        "healthy-jitter",
        station=StationPlan(period_s=2.0, pings=("plc",)),
        recipes=(Recipe(0, RYE), Recipe(10, ROLLS)),
        plc=PlcPlan(jitter_s=0.45),
    ),
    cause(
        "healthy-news",
        cabling=Cabling(far=("zone4", "zone5", "zone6"), trunks=2, spanning_tree=True),
        leases=(Lease(8.0, "192.0.2.53"),),
        terminal=(TerminalJob(9.0, 14.0, (1, 3), 1.0, PAGE),),
        acts=(Act(9, "trunk down", "trunk2"), Act(10, "trunk up", "trunk2")),
    ),
    cause("healthy-slow-device", zones={4: ZonePlan(work_s=((-99.0, 0.7),))}),
)
