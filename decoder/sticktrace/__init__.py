"""sticktrace reads recordings of USB mass-storage traffic and says what happened, command by command.

This is the public face: every type that a caller meets, and what the screen needs. Names are brought in when they are
first used, so that ``sticktrace --help`` stays instant.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from sticktrace.errors import CaptureError, LayoutError, SticktraceError

if TYPE_CHECKING:
    from sticktrace.board.evidence import look_at
    from sticktrace.board.fit import Fit, fit
    from sticktrace.board.profile import Board
    from sticktrace.bus.device import Device
    from sticktrace.bus.events import BusEvent, Happening
    from sticktrace.bus.requests import Request
    from sticktrace.capture import Damage
    from sticktrace.capture.logs import About, Kind, Statement
    from sticktrace.capture.transfer import Piece
    from sticktrace.comparison.align import align
    from sticktrace.comparison.compare import Comparison, compare
    from sticktrace.comparison.difference import Difference
    from sticktrace.comparison.side import Telling
    from sticktrace.comparison.steps import TROUBLE as STEP_TROUBLE
    from sticktrace.comparison.steps import Step
    from sticktrace.duties.auditing import audit
    from sticktrace.duties.catalogue import rule_of
    from sticktrace.duties.catalogue import rules as duty_rules
    from sticktrace.duties.plan import plan as audit_plan
    from sticktrace.duties.rule import Rule as DutyRule
    from sticktrace.duties.score import Audit, Score
    from sticktrace.findings.catalogue import RULES as ALL_RULES
    from sticktrace.findings.finding import FAULT, NOTE, RISK, Finding, Pattern
    from sticktrace.findings.ladder import Rung, State
    from sticktrace.findings.live import SoFar
    from sticktrace.findings.scene import Scene
    from sticktrace.findings.verdict import Answer, Diagnosis, StickReport, conclude, diagnose, standing
    from sticktrace.following import Following, follow
    from sticktrace.grammar.layout import Explanation
    from sticktrace.grammar.layout import Row as LayoutRow
    from sticktrace.session import Capture, Exchanges, Reading
    from sticktrace.sticks.stages import Reached, Stage
    from sticktrace.sticks.stick import Stick
    from sticktrace.sticks.sticks import Sticks
    from sticktrace.sticks.unit import Unit
    from sticktrace.storage.commands import describe, lba_and_blocks
    from sticktrace.storage.commands import find as find_command
    from sticktrace.storage.commands import name as command_name
    from sticktrace.storage.commands import named as commands_named
    from sticktrace.storage.recognise import read_as
    from sticktrace.storage.sense import advice as sense_advice
    from sticktrace.storage.sense import in_words as sense_in_words
    from sticktrace.storage.table import ExchangeTable
    from sticktrace.storage.words import Capacity, Inquiry
    from sticktrace.text import bytes_in_words, count_of, safe, time_in_words
    from sticktrace.timeline import LogBeside, add_log, open
    from sticktrace.timing.measure import Timing, time_of
    from sticktrace.transport.items import (
        FAILED,
        INVALID,
        MISSING,
        PASSED,
        PHASE_ERROR,
        Direction,
        Exchange,
        Item,
        Saying,
        Sense,
        Status,
        Stray,
        StrayKind,
        Transport,
    )
    from sticktrace.transport.remarks import Remark, Said, Why
    from sticktrace.transport.run import Run
    from sticktrace.volume.division import Volume
    from sticktrace.volume.ledger import Ledger
    from sticktrace.volume.medium import Medium
    from sticktrace.volume.overview import extent_of
    from sticktrace.volume.sectors import by_signature, layouts_at
    from sticktrace.writing.outputs import new_text

_HOMES = {
    "look_at": ("board.evidence", "look_at"),
    "Fit": ("board.fit", "Fit"),
    "fit": ("board.fit", "fit"),
    "Board": ("board.profile", "Board"),
    "Device": ("bus.device", "Device"),
    "BusEvent": ("bus.events", "BusEvent"),
    "Happening": ("bus.events", "Happening"),
    "Request": ("bus.requests", "Request"),
    "Damage": ("capture", "Damage"),
    "About": ("capture.logs", "About"),
    "Kind": ("capture.logs", "Kind"),
    "Statement": ("capture.logs", "Statement"),
    "Piece": ("capture.transfer", "Piece"),
    "align": ("comparison.align", "align"),
    "Comparison": ("comparison.compare", "Comparison"),
    "compare": ("comparison.compare", "compare"),
    "Difference": ("comparison.difference", "Difference"),
    "Telling": ("comparison.side", "Telling"),
    "STEP_TROUBLE": ("comparison.steps", "TROUBLE"),
    "Step": ("comparison.steps", "Step"),
    "audit": ("duties.auditing", "audit"),
    "rule_of": ("duties.catalogue", "rule_of"),
    "duty_rules": ("duties.catalogue", "rules"),
    "audit_plan": ("duties.plan", "plan"),
    "DutyRule": ("duties.rule", "Rule"),
    "Audit": ("duties.score", "Audit"),
    "Score": ("duties.score", "Score"),
    "ALL_RULES": ("findings.catalogue", "RULES"),
    "FAULT": ("findings.finding", "FAULT"),
    "NOTE": ("findings.finding", "NOTE"),
    "RISK": ("findings.finding", "RISK"),
    "Finding": ("findings.finding", "Finding"),
    "Pattern": ("findings.finding", "Pattern"),
    "Rung": ("findings.ladder", "Rung"),
    "State": ("findings.ladder", "State"),
    "SoFar": ("findings.live", "SoFar"),
    "Scene": ("findings.scene", "Scene"),
    "Answer": ("findings.verdict", "Answer"),
    "Diagnosis": ("findings.verdict", "Diagnosis"),
    "StickReport": ("findings.verdict", "StickReport"),
    "conclude": ("findings.verdict", "conclude"),
    "diagnose": ("findings.verdict", "diagnose"),
    "standing": ("findings.verdict", "standing"),
    "Following": ("following", "Following"),
    "follow": ("following", "follow"),
    "Explanation": ("grammar.layout", "Explanation"),
    "LayoutRow": ("grammar.layout", "Row"),
    "Capture": ("session", "Capture"),
    "Exchanges": ("session", "Exchanges"),
    "Reading": ("session", "Reading"),
    "open": ("timeline", "open"),
    "Reached": ("sticks.stages", "Reached"),
    "Stage": ("sticks.stages", "Stage"),
    "Stick": ("sticks.stick", "Stick"),
    "Sticks": ("sticks.sticks", "Sticks"),
    "Unit": ("sticks.unit", "Unit"),
    "describe": ("storage.commands", "describe"),
    "find_command": ("storage.commands", "find"),
    "lba_and_blocks": ("storage.commands", "lba_and_blocks"),
    "command_name": ("storage.commands", "name"),
    "commands_named": ("storage.commands", "named"),
    "read_as": ("storage.recognise", "read_as"),
    "sense_advice": ("storage.sense", "advice"),
    "sense_in_words": ("storage.sense", "in_words"),
    "ExchangeTable": ("storage.table", "ExchangeTable"),
    "Capacity": ("storage.words", "Capacity"),
    "Inquiry": ("storage.words", "Inquiry"),
    "bytes_in_words": ("text", "bytes_in_words"),
    "count_of": ("text", "count_of"),
    "safe": ("text", "safe"),
    "time_in_words": ("text", "time_in_words"),
    "LogBeside": ("timeline", "LogBeside"),
    "add_log": ("timeline", "add_log"),
    "Timing": ("timing.measure", "Timing"),
    "time_of": ("timing.measure", "time_of"),
    "FAILED": ("transport.items", "FAILED"),
    "INVALID": ("transport.items", "INVALID"),
    "MISSING": ("transport.items", "MISSING"),
    "PASSED": ("transport.items", "PASSED"),
    "PHASE_ERROR": ("transport.items", "PHASE_ERROR"),
    "Direction": ("transport.items", "Direction"),
    "Exchange": ("transport.items", "Exchange"),
    "Saying": ("transport.items", "Saying"),
    "Item": ("transport.items", "Item"),
    "Sense": ("transport.items", "Sense"),
    "Status": ("transport.items", "Status"),
    "Stray": ("transport.items", "Stray"),
    "StrayKind": ("transport.items", "StrayKind"),
    "Transport": ("transport.items", "Transport"),
    "Remark": ("transport.remarks", "Remark"),
    "Said": ("transport.remarks", "Said"),
    "Why": ("transport.remarks", "Why"),
    "Run": ("transport.run", "Run"),
    "Ledger": ("volume.ledger", "Ledger"),
    "Medium": ("volume.medium", "Medium"),
    "Volume": ("volume.division", "Volume"),
    "extent_of": ("volume.overview", "extent_of"),
    "by_signature": ("volume.sectors", "by_signature"),
    "layouts_at": ("volume.sectors", "layouts_at"),
    "new_text": ("writing.outputs", "new_text"),
}
"""Name -> the module that it lives in, and its name there."""

__all__ = [
    "ALL_RULES",
    "FAILED",
    "FAULT",
    "INVALID",
    "MISSING",
    "NOTE",
    "PASSED",
    "PHASE_ERROR",
    "RISK",
    "STEP_TROUBLE",
    "About",
    "Answer",
    "Audit",
    "Board",
    "BusEvent",
    "Capacity",
    "Capture",
    "CaptureError",
    "Comparison",
    "Damage",
    "Device",
    "Diagnosis",
    "Difference",
    "Direction",
    "DutyRule",
    "Exchange",
    "ExchangeTable",
    "Exchanges",
    "Explanation",
    "Finding",
    "Fit",
    "Following",
    "Happening",
    "Inquiry",
    "Item",
    "Kind",
    "LayoutError",
    "LayoutRow",
    "Ledger",
    "LogBeside",
    "Medium",
    "Pattern",
    "Piece",
    "Reached",
    "Reading",
    "Remark",
    "Request",
    "Run",
    "Rung",
    "Said",
    "Saying",
    "Scene",
    "Score",
    "Sense",
    "SoFar",
    "Stage",
    "State",
    "Statement",
    "Status",
    "Step",
    "Stick",
    "StickReport",
    "Sticks",
    "SticktraceError",
    "Stray",
    "StrayKind",
    "Telling",
    "Timing",
    "Transport",
    "Unit",
    "Volume",
    "Why",
    "add_log",
    "align",
    "audit",
    "audit_plan",
    "by_signature",
    "bytes_in_words",
    "command_name",
    "commands_named",
    "compare",
    "conclude",
    "count_of",
    "describe",
    "diagnose",
    "duty_rules",
    "extent_of",
    "find_command",
    "fit",
    "follow",
    "layouts_at",
    "lba_and_blocks",
    "look_at",
    "new_text",
    "open",
    "read_as",
    "rule_of",
    "safe",
    "sense_advice",
    "sense_in_words",
    "standing",
    "time_in_words",
    "time_of",
]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Bring a name in when it is first used."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, there = _HOMES[name]
    return getattr(import_module(f"sticktrace.{module}"), there)
