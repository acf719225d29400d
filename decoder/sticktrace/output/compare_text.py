"""A comparison as text: the first difference that matters, the others in order, the facts side by side."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.comparison.compare import BREAKS, DIFFERS, SMALL, Comparison, Difference
from sticktrace.comparison.rows import Row
from sticktrace.comparison.side import Story
from sticktrace.output.listing import Style, plain
from sticktrace.text import count_of, safe

MOST_SHOWN = 40
"""Differences that are listed unless all are asked for."""
_MARKS = {BREAKS: "!!", DIFFERS: "! ", SMALL: "- "}
_MOODS = {BREAKS: "bad", DIFFERS: "warn", SMALL: "quiet"}
_WIDEST = 40
"""Columns for GOOD; a longer value just pushes BAD to the right."""


def compare_text(found: Comparison, style: Style = plain, everything: bool = False) -> Iterator[str]:
    """The whole report."""
    for side, story in (("GOOD", found.good), ("BAD", found.bad)):
        yield style(f"{side:<5}", "head") + _who(story)
    yield ""
    yield from _verdict(found, style)
    for note in [*found.notes, "contents of the medium are not compared"]:
        yield style("note: ", "quiet") + note
    if found.differences:
        yield ""
        yield from _list(found, style, everything)
    yield ""
    yield from _table(found.rows, style)


def _who(story: Story) -> str:
    ids = f" ({story.stick.ids})" if story.stick.ids else ""
    commands = count_of(story.sums.commands.total(), "command")
    return f"{safe(story.capture)}: {story.title}{ids}, {commands}"


def _verdict(found: Comparison, style: Style) -> Iterator[str]:
    first = found.first
    if first is None:
        yield style("identical", "good") + (
            f": {count_of(found.matched, 'step')}, the same on both sides in order, length and outcome; waits are alike"
        )
        return
    heading = "First difference that matters" if first.weight > SMALL else "Only small differences; the first"
    where = f" ({first.stage})" if first.stage else ""
    yield style(f"{heading}{where}:", "head")
    yield "  " + style(first.text, _MOODS[first.weight])
    places = "; ".join(_places(first))
    if places:
        yield f"  {places}"
    before = [d for d in found.differences[: found.differences.index(first)] if d.weight == DIFFERS]
    if before:
        yield f"  Before it the two differ in {count_of(len(before), 'way')} marked ! below: look there for the cause."


def _places(difference: Difference) -> Iterator[str]:
    for side, place in (("GOOD", difference.good), ("BAD", difference.bad)):
        if place:
            yield f"{side}: {place}"


def _list(found: Comparison, style: Style, everything: bool) -> Iterator[str]:
    folded = _folded(found.differences, everything)
    shown = folded if everything else _weightiest(folded)
    yield style("Differences in order", "head") + " (!! goes wrong, ! differs, - small)"
    for difference, count in shown:
        places = ", ".join(_places(difference))
        more = f"; {count - 1:,} more like it" if count > 1 else ""
        yield (
            "  "
            + style(_MARKS[difference.weight], _MOODS[difference.weight])
            + f" {difference.text}"
            + style((f"  [{places}]" if places else "") + more, "quiet")
        )
    if len(shown) < len(folded):
        yield f"  {len(folded) - len(shown):,} small ones are left out; --all shows them"
    if found.left_out:
        yield f"  {found.left_out:,} more small ones were counted, not kept"


def _folded(differences: list[Difference], everything: bool) -> list[tuple[Difference, int]]:
    """Small differences of one kind and stage that follow each other as the first of them, with their number."""
    out: list[tuple[Difference, int]] = []
    for difference in differences:
        last = out[-1][0] if out else None
        alike = last is not None and (last.weight, last.slug, last.stage) == (SMALL, difference.slug, difference.stage)
        if alike and difference.weight == SMALL and not everything:
            out[-1] = out[-1][0], out[-1][1] + 1
        else:
            out.append((difference, 1))
    return out


def _weightiest(folded: list[tuple[Difference, int]]) -> list[tuple[Difference, int]]:
    """At most so many, small ones dropped first, in their order."""
    ranked = sorted(range(len(folded)), key=lambda at: (-folded[at][0].weight, at))
    return [folded[at] for at in sorted(ranked[:MOST_SHOWN])]


def _table(rows: list[Row], style: Style) -> Iterator[str]:
    label = max([len(row.label) for row in rows], default=0) + 2
    column = min(max([len(row.good) for row in rows], default=0) + 2, _WIDEST)
    yield style(f"  {'':<{label}}{'GOOD':<{max(column, 10)}}BAD", "head")
    for row in rows:
        good = row.good or "not seen"
        line = f"{row.label:<{label}}{good:<{max(column, 10)}}{row.bad or 'not seen'}"
        yield style("* ", "warn") + line if row.differs else f"  {line}"
