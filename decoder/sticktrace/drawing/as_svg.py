"""A scene as one SVG element: nothing from outside, light and dark by the reader's own choice, words for those who do
not see it.

Every colour is a custom property of the element, so that a page that holds it may set its own. Words are stretched to
the columns that they take, so that no font makes them overlap.
"""

from __future__ import annotations

from html import escape

from sticktrace.drawing.measure import columns
from sticktrace.drawing.scene import Bar, Frame, Label, Mark, Scene, Shape, Span, Stroke
from sticktrace.text import safe

CELL, LINE = 8.5, 19.0
"""Pixels of a cell: 14 px of a monospaced face are about 8.4 wide."""

_MARGIN = 12

_LIGHT = {
    "paper": "#fdfdfb", "plain": "#23303c", "byte": "#0d1720", "strong": "#0d1720", "quiet": "#65707b",
    "head": "#14527a", "good": "#1d6b3a", "warn": "#8a5a00", "bad": "#b0201f", "mark": "#5a3d97", "guide": "#c3cad0",
}  # fmt: skip
_DARK = {
    "paper": "#12181e", "plain": "#d5dde4", "byte": "#ffffff", "strong": "#ffffff", "quiet": "#93a0ac",
    "head": "#7cc4f2", "good": "#74d091", "warn": "#e8b84e", "bad": "#ff8a80", "mark": "#c3a6ff", "guide": "#3d4852",
}  # fmt: skip


def _variables(colours: dict[str, str]) -> str:
    return "".join(f"--st-{name}:{colour};" for name, colour in colours.items())


def _style() -> str:
    moods = "".join(
        f".st-drawing .{mood}{{stroke:var(--st-{mood})}}.st-drawing text.{mood},.st-drawing .fill.{mood}"
        f"{{fill:var(--st-{mood});stroke:none}}"
        for mood in _LIGHT
        if mood not in ("paper", "guide")
    )
    return (
        f".st-drawing{{{_variables(_LIGHT)}}}"
        f"@media (prefers-color-scheme:dark){{.st-drawing{{{_variables(_DARK)}}}}}"
        ".st-drawing .paper{fill:var(--st-paper)}"
        ".st-drawing text{font:14px ui-monospace,Menlo,Consolas,'DejaVu Sans Mono',monospace;white-space:pre}"
        f"{moods}"
        ".st-drawing text.byte,.st-drawing text.strong,.st-drawing text.head{font-weight:600}"
        ".st-drawing .line{fill:none;stroke-width:1.4}.st-drawing .group{stroke-width:2.6}"
        ".st-drawing .faint{stroke:var(--st-guide);stroke-width:1;stroke-dasharray:2 3}"
        ".st-drawing .dense{fill-opacity:.62}.st-drawing .light{fill-opacity:.34}"
    )


STYLE = _style()
"""The style of every drawing; a page that holds many may put it into its head once."""


def svg(scene: Scene, ident: str = "drawing", with_style: bool = True) -> str:
    """The scene as an SVG document of its own, which may stand inside a page as it is. ``ident`` is the start of the
    identifiers in it: one for each drawing of a page."""
    width, height = scene.width * CELL + 2 * _MARGIN, scene.height * LINE + 2 * _MARGIN
    body = "\n".join(_element(shape) for shape in scene.shapes)
    style = f"<style>{STYLE}</style>\n" if with_style else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="st-drawing" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" height="{height:g}" role="img" aria-labelledby="{ident}-title {ident}-desc">\n'
        f'<title id="{ident}-title">{_words(scene.title)}</title>\n'
        f'<desc id="{ident}-desc">{_words(scene.desc)}</desc>\n'
        f'{style}<rect class="paper" width="{width:g}" height="{height:g}"/>\n'
        f'<g transform="translate({_MARGIN} {_MARGIN})">\n{body}\n</g>\n</svg>\n'
    )


def _words(text: str) -> str:
    return escape(safe(text))


def _middle(x: float, y: float) -> tuple[float, float]:
    """The middle of a cell in pixels."""
    return (x + 0.5) * CELL, (y + 0.5) * LINE


def _element(shape: Shape) -> str:
    match shape:
        case Label():
            return _text(shape)
        case Span():
            return _bracket(shape)
        case Stroke():
            return _line(shape)
        case Bar():
            return _bar(shape)
        case Frame():
            x, y = _middle(shape.x, shape.y)
            size = f'width="{(shape.w - 1) * CELL:g}" height="{(shape.h - 1) * LINE:g}"'
            return _hinted("rect", f'class="line {shape.mood}" x="{x:g}" y="{y:g}" {size} rx="3"', shape.hint)
        case Mark():
            return _mark(shape)


def _bar(bar: Bar) -> str:
    """A strip leaves room above and below; one with a height of its own stands on the line's foot."""
    low, high = (LINE, LINE * bar.h) if bar.h < 1 else (LINE - 3, LINE - 6)
    size = f'width="{max(1.5, bar.w * CELL):.2f}" height="{high:.2f}"'
    place = f'x="{bar.x * CELL:.2f}" y="{bar.y * LINE + low - high:.2f}"'
    return _hinted("rect", f'class="fill {bar.mood} {bar.fill}" {place} {size}', bar.hint)


def _hinted(name: str, attributes: str, hint: str) -> str:
    inside = f"<title>{_words(hint)}</title>" if hint else ""
    return f"<{name} {attributes}>{inside}</{name}>" if inside else f"<{name} {attributes}/>"


def _text(label: Label) -> str:
    x, y = label.x * CELL, (label.y + 0.72) * LINE
    hint = f"<title>{_words(label.hint)}</title>" if label.hint else ""
    size = columns(label.text) * CELL
    return (
        f'<text class="{label.mood}" x="{x:g}" y="{y:g}" textLength="{size:g}" lengthAdjust="spacingAndGlyphs" '
        f'xml:space="preserve">{hint}{_words(label.text)}</text>'
    )


def _bracket(span: Span) -> str:
    left, right = span.x * CELL + 1, (span.x + span.w) * CELL - 1
    top, low = span.y * LINE + 1, (span.y + 0.5) * LINE
    path = f"M{left:g} {top:g}V{low:g}" if span.left else f"M{left:g} {low:g}"
    path += f"H{right:g}" + (f"V{top:g}" if span.right else "")
    if span.w == 1 and span.left and span.right:
        middle = (left + right) / 2
        path = f"M{middle:g} {top:g}V{low:g}M{left:g} {low:g}H{right:g}"
    kind = "line group" if span.group else "line"
    return _hinted("path", f'class="{kind} {span.mood}" d="{path}"', span.hint)


def _line(stroke: Stroke) -> str:
    (x1, y1), (x2, y2) = _middle(stroke.x1, stroke.y1), _middle(stroke.x2, stroke.y2)
    if stroke.faint:
        if stroke.y1 != stroke.y2:
            y1, y2 = y1 - LINE / 2, y2 + LINE / 2
        else:
            x1, x2 = x1 - CELL / 2, x2 + CELL / 2
        return f'<path class="faint" d="M{x1:g} {y1:g}L{x2:g} {y2:g}"/>'
    line = f'<path class="line {stroke.mood}" d="M{x1:g} {y1:g}L{x2:g} {y2:g}"/>'
    return line + (_head(stroke, x2, y2) if stroke.head else "")


def _head(stroke: Stroke, x: float, y: float) -> str:
    dx, dy = (stroke.x2 > stroke.x1) - (stroke.x2 < stroke.x1), (stroke.y2 > stroke.y1) - (stroke.y2 < stroke.y1)
    tip = x + 4 * dx, y + 4 * dy
    sides = [(tip[0] - 8 * dx + 4 * turn * dy, tip[1] - 8 * dy + 4 * turn * dx) for turn in (1, -1)]
    points = " ".join(f"{px:g},{py:g}" for px, py in (tip, *sides))
    return f'<polygon class="fill {stroke.mood}" points="{points}"/>'


_OUTLINES = {
    "read": "M-4 -3H4L0 4Z", "write": "M-4 3H4L0 -4Z", "both": "M0 -5L4 0L0 5L-4 0Z", "here": "M-3 -4L4 0L-3 4Z",
    "next": "M-2 -3L3 0L-2 3Z",
}  # fmt: skip
_CROSSES = {
    "failed": "M-4 -4L4 4M4 -4L-4 4",
    "cut": "M-4 -6L4 6M4 -6L-4 6",
    "tick": "M-8.5 0H8.5M0 0V6",
    "gap": "M0 -7V7",
}
_RADIUS = {"dot": 2.5, "ring": 3.5, "done": 4.0}


def _mark(mark: Mark) -> str:
    x, y = _middle(mark.x, mark.y)
    place = f'transform="translate({x:g} {y:g})"'
    if mark.kind in _OUTLINES:
        return _hinted("path", f'class="fill {mark.mood}" d="{_OUTLINES[mark.kind]}" {place}', mark.hint)
    if mark.kind in _CROSSES:
        kind = "line group" if mark.kind in ("failed", "cut") else "line"
        dashes = ' stroke-dasharray="2 3"' if mark.kind == "gap" else ""
        return _hinted("path", f'class="{kind} {mark.mood}"{dashes} d="{_CROSSES[mark.kind]}" {place}', mark.hint)
    kind = "line" if mark.kind == "ring" else "fill"
    return _hinted("circle", f'class="{kind} {mark.mood}" r="{_RADIUS[mark.kind]:g}" {place}', mark.hint)
