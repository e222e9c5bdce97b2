"""Frames that hide what they hold in, the plain frames within them out: tunnels, tags, fragments."""

from mbsniff.wire.unwrap.reveal import Unwrapper

__all__ = ["Unwrapper"]
