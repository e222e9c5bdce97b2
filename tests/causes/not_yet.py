"""What the decision table does not tell apart yet: the one list to shrink."""

from __future__ import annotations

import pytest

from tests.causes.pairs import Pair

NOT_YET: dict[str, set[str]] = {
    "lost": {
        "acknowledged-off",
        "acknowledged-on",
        "busy-replies-off",
        "busy-replies-on",
        "closed-at-all-on",
        "load-before-lateness-on",
        "replies-come-on",
        "several-devices-on",
        "surplus-reads-on",
        "window-closes-off",
        "window-closes-on",
    },
    "plain": {
        "acknowledged-on",
        "announced-elsewhere-on",
        "asks-the-others-off",
        "host-acknowledges-probes-on",
        "host-answers-echoes-on",
        "host-answers-look-ups-on",
        "lease-of-on",
        "lease-refused-on",
        "loaded-then-window-off",
        "owner-defends-on",
        "several-devices-off",
        "several-devices-on",
        "storm-off",
        "storm-on",
        "topology-changes-off",
        "topology-changes-on",
        "who-resets-off",
        "who-resets-on",
        "why-it-resets-on",
        "window-closes-off",
        "window-closes-on",
    },
}
"""By test, the sides of pairs."""


def due(request: pytest.FixtureRequest, test: str, pair: Pair, switch: bool) -> None:
    """Expect a test to fail where it is listed, without minding if it does not."""
    if f"{pair.name}-{'on' if switch else 'off'}" in NOT_YET.get(test, ()):
        request.node.add_marker(pytest.mark.xfail(strict=False, reason="not told apart yet"))
