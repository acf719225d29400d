"""The state table of Bulk-Only Transport as it stands in the code: for each state what each signal does, and where it
leads."""

from __future__ import annotations

from collections.abc import Mapping

from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import columns, wrap
from sticktrace.drawing.scene import LEAST_WIDTH, Frame, Label, Scene, Sketch, Stroke
from sticktrace.text import count_of

Table = Mapping[tuple[str, str], tuple[str, str]]
"""State and signal -> action and next state."""


def state_table(table: Table, width: int = 80, title: str = "Bulk-Only Transport, state by state") -> Scene:
    """A box for each state; arrows lead out of it to the states that follow."""
    sketch = Sketch(max(LEAST_WIDTH, width))
    y = heading(sketch, title, "BOT 1.0 5, 6") + 1
    states = list(dict.fromkeys(state for state, _ in table))
    for key, state in enumerate(states):
        y = _state(sketch, y, key, state, table) + 1
    desc = f"{count_of(len(states), 'state')}, {count_of(len(table), 'row')}. " + "; ".join(
        f"{state}: {signal}: {action}, then {after}" for (state, signal), (action, after) in table.items()
    )
    return sketch.scene(title, desc)


def _grouped(state: str, table: Table) -> dict[tuple[str, str], list[str]]:
    """Signals of a state by what they do and where they lead."""
    out: dict[tuple[str, str], list[str]] = {}
    for (where, signal), effect in table.items():
        if where == state:
            out.setdefault(effect, []).append(signal)
    return out


def _state(sketch: Sketch, y: int, key: int, state: str, table: Table) -> int:
    effects = _grouped(state, table)
    names = max((columns(after) for _, after in table.values()), default=0)
    right = sketch.width - names - 4
    sketch.add(Label(0, y, state, "head", key))
    box = y
    y += 2
    for (action, after), signals in effects.items():
        words = action.replace("_", " ")
        lines = wrap(", ".join(signals), max(16, right - 24 - columns(words)))
        for at, line in enumerate(lines):
            sketch.say(2, y + at, line, "strong", key)
        begin = 2 + max(map(columns, lines)) + 1
        sketch.add(Label(right - 6 - columns(words), y, words, "plain", key))
        if begin < right - 7 - columns(words):
            sketch.add(Stroke(begin, y, right - 8 - columns(words), y, "quiet", key=key))
        sketch.add(Stroke(right - 5, y, right + 1, y, "quiet", head=True, key=key))
        sketch.add(
            Label(right + 3, y, "stays" if after == state else after, "quiet" if after == state else "mark", key)
        )
        y += len(lines)
    sketch.add(Frame(0, box + 1, right - 2, y - box, "quiet", key))
    return y + 1
