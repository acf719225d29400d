"""Every finding that diagnosis can make, and the rules that make them, in the order of bring-up."""

from __future__ import annotations

from functools import cache

from sticktrace.findings.finding import Pattern
from sticktrace.findings.rules import (
    blocks,
    capacity,
    commands,
    descriptors,
    enumeration,
    gaps,
    heard_bus,
    heard_medium,
    heard_use,
    hub,
    medium,
    power,
    readiness,
    recovery,
    sizes,
    stopped,
    transport,
    units,
    unseen,
    volume,
    wire,
)
from sticktrace.findings.rules.rule import Rule

RULES: tuple[type[Rule], ...] = (
    *enumeration.RULES, *power.RULES, *hub.RULES, *descriptors.RULES, *stopped.RULES, *units.RULES, *transport.RULES,
    *gaps.RULES, *sizes.RULES, *recovery.RULES, *commands.RULES, *readiness.RULES, *blocks.RULES, *medium.RULES,
    *capacity.RULES, *volume.RULES, *heard_bus.RULES, *heard_use.RULES, *heard_medium.RULES, *wire.RULES, *unseen.RULES,
)  # fmt: skip


@cache
def patterns() -> dict[str, tuple[Pattern, str]]:
    """Slug -> (pattern, layer)."""
    return {pattern.slug: (pattern, rule.layer) for rule in RULES for pattern in rule.patterns}
