"""Packets from the wire -> transactions -> transfers (USB 2.0 chapter 8): the same `Transfer` as from a host's capture.

Link type 288 is a packet from its PID on without a word on the speed, 293, 294 and 295 the same at low, full and high
speed (registry of link types). Reset, suspend, resume, chirps and the state of VBUS are no packets: they are inferred
from silence, or not seen. `machine` says how the modules follow each other, `pipe` where a transfer ends."""

from __future__ import annotations

SPEEDS = {288: "", 293: "low", 294: "full", 295: "high"}
"""Link type -> the speed that it tells, "" for none."""

RENDERED = "rendered by sticktrace from a capture of a host: these packets were not recorded on the wire"
"""What a file of rendered packets says of itself, as the comment of its section."""
