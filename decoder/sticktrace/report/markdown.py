"""A report as Markdown, for bug trackers."""

from __future__ import annotations

import re
from collections.abc import Iterator

from sticktrace.findings.ladder import REACHED
from sticktrace.report.gather import Told
from sticktrace.text import safe


def markdown(told: Told) -> Iterator[str]:
    """The lines: verdict, device, ladder, findings, the exchanges around the first failure, how to repeat it."""
    name = _plain(told.name)
    yield f"# USB storage: {name}"
    yield ""
    for line in told.diagnosis.answer.lines:
        yield f"> {_plain(line)}  "
    for report, card in zip(told.diagnosis.reports, told.cards, strict=False):
        yield from ("", f"## {_plain(report.title)}", "", "```text", *map(_fenced, card), "```", "")
        yield from ("| stage | state | what shows it |", "|---|---|---|")
        for rung in report.rungs:
            state = str(rung.state) if rung.state is REACHED else f"**{rung.state}**"
            yield f"| {rung.stage} | {state} | {_plain(rung.text)} |"
    if told.diagnosis.findings:
        yield from ("", "## Findings", "")
    for finding in told.diagnosis.findings:
        where = ", ".join(map(str, finding.exchanges[:6]))
        seen = f" (exchange {where})" if where else ""
        title = f"**{finding.severity}: {_plain(finding.pattern.title)}** (`{finding.slug}`)"
        yield f"* {title}: {_plain(finding.text)}{seen}."
        yield f"  {_plain(finding.advice)} *{_plain(finding.pattern.clause)}*"
    if told.around:
        yield from ("", "## Around the first failure", "", "| # | command | moved/asked | outcome | took | remark |",
                    "|---|---|---|---|---|---|")  # fmt: skip
        for line in told.around:
            cells = (line.number, line.command, line.bytes, line.outcome, line.duration, line.remark)
            yield "| " + " | ".join(_plain(cell) for cell in cells) + " |"
    yield from ("", "## To repeat", "", "```text", f"sticktrace diagnose {safe(told.name)}",
                f"sticktrace exchanges {safe(told.name)} status:bad", "```")  # fmt: skip


def _fenced(text: str) -> str:
    """A line that does not end the block it stands in."""
    return safe(text).replace("```", "'''")


def _plain(text: str) -> str:
    """Text in which Markdown sees no markup, and a table no column."""
    return re.sub(r"([\\`*_{}\[\]<>#|!~])", r"\\\1", safe(text))
