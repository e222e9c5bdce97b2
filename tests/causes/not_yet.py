"""What the decision table does not tell apart yet: the one list to shrink."""

from __future__ import annotations

import pytest

from tests.causes.pairs import Pair

NOT_YET: dict[str, set[str]] = {
    "begun late": {
        "busy-replies-on",
        "load-before-lateness-on",
        "loaded-then-window-on",
        "service-climbs-on",
        "surplus-reads-off",
        "surplus-reads-on",
    },
    "lost": {"load-before-lateness-on"},
    "plain": {"host-acknowledges-probes-on"},  # that a master acknowledged a device's probe is no event yet
}
"""By test, the sides of pairs."""


def due(request: pytest.FixtureRequest, test: str, pair: Pair, switch: bool) -> None:
    """Expect a test to fail where it is listed, without minding if it does not."""
    if f"{pair.name}-{'on' if switch else 'off'}" in NOT_YET.get(test, ()):
        request.node.add_marker(pytest.mark.xfail(strict=False, reason="not told apart yet"))
