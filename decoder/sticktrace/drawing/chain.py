"""A file on its volume: the parts of the volume in order, where the file's clusters lie in them, and the chain that the
allocation table makes of them."""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import columns, fit, wrap
from sticktrace.drawing.scene import LEAST_WIDTH, Bar, Frame, Scene, Sketch, Stroke
from sticktrace.text import count_of

MOST_RUNS = 24


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the volume with its blocks."""

    name: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Run:
    """Clusters that follow each other, and the block of the first."""

    cluster: int
    count: int
    lba: int


def chain(
    parts: list[Part], runs: list[Run], entry: str, end: str, width: int = 80, title: str = "", clusters: int = 0
) -> Scene:
    """``parts`` from the first block on, the last of them the clusters (``clusters`` of them, from 2 on). ``entry`` is
    what the directory says of the file, ``end`` how the chain ends."""
    sketch = Sketch(max(LEAST_WIDTH, width))
    y = heading(sketch, title) + 1
    y = _disk(sketch, y, parts, runs, clusters) + 1
    y = _chain(sketch, y, runs, entry, end)
    said = "; ".join(f"clusters {run.cluster} to {run.cluster + run.count - 1}" for run in runs[:MOST_RUNS])
    return sketch.scene(title, f"{entry}: {said or 'no cluster'}; {end}.")


def _disk(sketch: Sketch, y: int, parts: list[Part], runs: list[Run], clusters: int) -> int:
    """The parts beside each other, lengths not to scale but for the last, which takes the room that is left."""
    sizes = [max(columns(part.name), columns(_blocks(part))) + 4 for part in parts]
    x, low = 0, y
    for at, part in enumerate(parts):
        last = at == len(parts) - 1
        if x and x + (max(sizes[at], 30) if last else sizes[at]) > sketch.width:
            x, low = 0, low + 5
        size = sketch.width - x if last else min(sizes[at], sketch.width)
        sketch.add(Frame(x, low, size, 4, "quiet", at, f"{part.name}: blocks {_blocks(part)}"))
        sketch.say(x + 2, low + 1, fit(part.name, size - 4), "strong", at)
        sketch.say(x + 2, low + 2, fit(_blocks(part), size - 4), "quiet", at)
        if last:
            _places(sketch, x + 1, size - 2, low + 4, runs, clusters)
        x += size
    return low + 5


def _blocks(part: Part) -> str:
    return f"{part.first:,}" if part.first == part.last else f"{part.first:,} - {part.last:,}"


def _places(sketch: Sketch, x: int, w: int, y: int, runs: list[Run], clusters: int) -> None:
    """Where the runs lie among the clusters, below their box."""
    taken: set[int] = set()
    total = max(clusters, max((run.cluster + run.count - 2 for run in runs), default=1), 1)
    for run in runs:
        first = min(w - 1, (run.cluster - 2) * w // total)
        last = min(w - 1, (run.cluster + run.count - 3) * w // total)
        taken |= set(range(first, last + 1))
    begin = -1
    for cell in range(w + 1):
        if cell in taken and begin < 0:
            begin = cell
        elif cell not in taken and begin >= 0:
            sketch.add(Bar(x + begin, y, cell - begin, "mark", "solid", -1, "clusters of this file"))
            begin = -1


def _chain(sketch: Sketch, y: int, runs: list[Run], entry: str, end: str) -> int:
    """The directory entry, an arrow to each run, and the end."""
    shown = runs[:MOST_RUNS]
    boxes = [tuple(wrap(entry, 22))] + [_run_lines(run) for run in shown]
    if len(runs) > MOST_RUNS:
        boxes.append((f"… {len(runs) - MOST_RUNS:,} more",))
    boxes.append(tuple(wrap(end, 22)))
    x = height = 0
    for at, lines in enumerate(boxes):
        size = max(map(columns, lines), default=0) + 4
        lead = 5 if at else 0
        if x + lead + size > sketch.width:
            x, y, height = 0, y + height + 1, 0
        if at:
            sketch.add(Stroke(x + 1 if x else 0, y + 1, x + lead - 2, y + 1, "quiet", head=True))
        x += lead
        mood = "head" if not at else "quiet" if at == len(boxes) - 1 else "mark"
        sketch.add(Frame(x, y, size, len(lines) + 2, mood, at - 1))
        for down, line in enumerate(lines):
            sketch.say(x + 2, y + 1 + down, line, "plain" if down else "strong", at - 1)
        height = max(height, len(lines) + 2)
        x += size
    return y + height


def _run_lines(run: Run) -> tuple[str, ...]:
    last = run.cluster + run.count - 1
    head = f"cluster {run.cluster}" if run.count == 1 else f"clusters {run.cluster}-{last}"
    return head, f"from block {run.lba:,}", *((count_of(run.count, "cluster"),) if run.count > 1 else ())
