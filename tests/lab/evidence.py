"""Recordings → the function that finds, in the frames themselves, what decides for its cause."""

from __future__ import annotations

from collections.abc import Callable

from tests.lab import devices, masters, paths
from tests.lab.window import Window

EVIDENCE: dict[str, Callable[[Window], None]] = {
    "master-killed": masters.master_killed,
    "master-stopped": masters.master_stopped,
    "master-idle": masters.master_idle,
    "poll-dropped": masters.poll_dropped,
    "device-link-down": paths.device_link_down,
    "master-link-down": masters.master_link_down,
    "link-back": paths.link_back,
    "trunk-down": paths.trunk_down,
    "return-path-lost": paths.return_path_lost,
    "device-stalled": devices.device_stalled,
    "window-closed": devices.window_closed,
    "replies-late": devices.replies_late,
    "device-saturated": devices.device_saturated,
    "device-slow": devices.device_slow,
    "no-free-slot": devices.no_free_slot,
    "port-closed": devices.port_closed,
    "device-restarted": devices.device_restarted,
    "address-conflict": paths.address_conflict,
    "lease-refused": paths.lease_refused,
    "address-moved": paths.address_moved,
    "flow-forgotten": paths.flow_forgotten,
    "starved-by-neighbour": masters.starved,
    "target-dead": devices.target_dead,
    "recorder-stopped": masters.recorder_stopped,
    "connection-ended": devices.connection_ended,
    "evicted": devices.evicted,
    "feed-wrong": masters.feed_wrong,
    "commanded": masters.commanded,
    "zone-switched-off": masters.zone_switched_off,
    "spanning-tree-change": paths.spanning_tree_change,
    "broadcast-storm": paths.broadcast_storm,
    "healthy-jitter": masters.healthy_jitter,
    "healthy-news": masters.healthy_news,
    "healthy-slow-device": masters.healthy_slow_device,
}
