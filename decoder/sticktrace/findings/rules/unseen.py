"""Patterns that a host capture cannot show, kept in the catalogue so that nobody takes silence for absence."""

from __future__ import annotations

from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import Rule

LAYER = "not visible here"

CACHE = by_slug("memory-not-coherent")
GO_SLOW = by_slug("needs-a-pause")
BOOT_OR_HOT_PLUG = by_slug("boot-or-hot-plug-only")


class Unseen(Rule):
    """Never reports: its patterns stand in the catalogue for people to read."""

    layer = LAYER
    patterns = (CACHE, GO_SLOW, BOOT_OR_HOT_PLUG)


RULES = (Unseen,)
