"""The page: one template, one style, one small script, the data as JSON inside. Nothing is fetched from anywhere."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from sticktrace.drawing.as_svg import STYLE
from sticktrace.report.gather import Told
from sticktrace.text import count_of, safe, time_in_words

FOLDER = Path(__file__).with_name("page")

KINDS = ("all", "issue", "teaching")


def page(told: Told, kind: str = "all", taken_out: Iterable[str] = (), against: Iterable[str] = ()) -> str:
    """The page as one string. ``taken_out`` says what a redaction replaced, ``against`` is a comparison in lines."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
    from markupsafe import Markup

    made = Environment(
        loader=FileSystemLoader(FOLDER), autoescape=select_autoescape(default=True), undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["safe_text"] = safe
    script = (FOLDER / "page.js").read_text(encoding="utf-8")
    style = STYLE + (FOLDER / "page.css").read_text(encoding="utf-8")
    drawings = {name: [Markup(one) for one in some] for name, some in told.drawings.items()}
    return made.get_template("page.html.j2").render(
        told=told, kind=kind, answer=told.diagnosis.answer, reports=told.diagnosis.reports,
        findings=told.diagnosis.findings, drawings=drawings, taken_out=list(taken_out), against=list(against),
        style=Markup(style), script=Markup(script), script_hash=_hash(script), style_hash=_hash(style),
        data=Markup(_json(told.rows.facts() if kind != "issue" else {})),
        rulers={number: Markup(one) for number, one in told.rulers.items()},
        span=time_in_words(told.span_ns), records=count_of(told.records, "record"),
    )  # fmt: skip


def _json(data: Any) -> str:
    """JSON that no browser takes for anything but data."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
