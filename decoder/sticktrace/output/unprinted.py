"""Explanations of what a console printed only in part: fields that it did not print say so, and have no value."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from sticktrace.grammar.layout import Explanation, Row
from sticktrace.storage.commands import describe
from sticktrace.transport.items import Exchange, Field

NOT_PRINTED = "not printed"


def called(exchange: Exchange) -> str:
    """The command in one short line."""
    return describe(exchange.cdb, exchange.device_type) if exchange.cdb else exchange.command


_OF_SENSE = frozenset(("RESPONSE CODE", "SENSE KEY", "ADDITIONAL SENSE CODE", "ADDITIONAL SENSE CODE QUALIFIER"))


def blanked(explanation: Explanation, names: Collection[str]) -> Explanation:
    """The explanation with the fields of these names, and all below them, blanked."""
    if not names:
        return explanation
    if Field.SENSE_REST in names and any(row.name == "SENSE KEY" for row in explanation.rows):
        names = {row.name for row in explanation.rows} - _OF_SENSE
    rows: list[Row] = []
    depth = -1
    for row in explanation.rows:
        if depth >= 0 and row.depth <= depth:
            depth = -1
        if depth < 0 and row.name in names:
            depth = row.depth
        rows.append(replace(row, raw=b"", value=None, meaning=NOT_PRINTED) if depth >= 0 else row)
    fault = f"the rest is {NOT_PRINTED}" if explanation.fault and "CBWCB" in names else explanation.fault
    return replace(explanation, rows=rows, fault=fault)
