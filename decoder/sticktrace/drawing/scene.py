"""What a drawing is made of: a handful of shapes on a grid of cells, one column wide and one line high.

One geometry serves text and SVG: a shape stands in whole cells (bars may begin and end inside one), so that a scene in
which no cell is taken twice overlaps nowhere, however it is rendered. Lines go through the middle of their cells and
may meet; nothing else may.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any, TypeAlias

from sticktrace.drawing.measure import columns

LEAST_WIDTH = 60
"""Columns that every drawing can do with."""

LEAST_PAGE = LEAST_WIDTH - 4
"""The same of a drawing on a page of a full screen, which keeps a few columns for the cursor and the place."""

MOODS = ("plain", "byte", "strong", "quiet", "head", "good", "warn", "bad", "mark")
"""What a shape means, from which a renderer makes colour and weight. No meaning rests on it alone."""


@dataclass(frozen=True, slots=True)
class Label:
    """Words on one line, from column ``x``. ``key`` is the number of the fact that it belongs to (-1: none), ``hint``
    is shown by renderers that can show more on demand."""

    x: int
    y: int
    text: str
    mood: str = "plain"
    key: int = -1
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Span:
    """A bracket under the ``w`` cells that it covers; where ``left`` or ``right`` is False, what it covers goes on
    beyond the line. ``group`` marks one that other brackets stand below."""

    x: int
    y: int
    w: int
    mood: str = "plain"
    key: int = -1
    hint: str = ""
    left: bool = True
    right: bool = True
    group: bool = False


@dataclass(frozen=True, slots=True)
class Stroke:
    """A level or upright line between two cells, both included. ``head`` puts an arrow's head on its end; a ``faint``
    one only guides the eye."""

    x1: int
    y1: int
    x2: int
    y2: int
    mood: str = "plain"
    head: bool = False
    faint: bool = False
    key: int = -1


@dataclass(frozen=True, slots=True)
class Bar:
    """A strip of one line, from ``x`` on ``w`` columns long, both exact. ``fill`` tells strips apart without colour:
    "solid", "dense" or "light". ``h`` below 1 is how much of the line's height a solid one takes, from below."""

    x: float
    y: int
    w: float
    mood: str = "plain"
    fill: str = "solid"
    key: int = -1
    hint: str = ""
    h: float = 1.0


@dataclass(frozen=True, slots=True)
class Frame:
    """The outline of a box; its border takes the outermost cells."""

    x: int
    y: int
    w: int
    h: int
    mood: str = "plain"
    key: int = -1
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A sign in one cell; ``kind`` is one of those in `signs`."""

    x: int
    y: int
    kind: str
    mood: str = "plain"
    key: int = -1
    hint: str = ""


Shape: TypeAlias = Label | Span | Stroke | Bar | Frame | Mark
Cell = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Scene:
    """A finished drawing: ``width`` and ``height`` in cells; ``title`` and ``desc`` say in words what it shows."""

    title: str
    desc: str
    width: int
    height: int
    shapes: tuple[Shape, ...]


@dataclass(slots=True)
class Sketch:
    """A drawing in the making."""

    width: int
    shapes: list[Shape] = field(default_factory=list)

    def add(self, *shapes: Shape) -> None:
        """Put shapes down."""
        self.shapes += shapes

    def say(self, x: int, y: int, text: str, mood: str = "plain", key: int = -1, hint: str = "") -> int:
        """Put words down; returns the column behind them."""
        if text:
            self.add(Label(x, y, text, mood, key, hint))
        return x + columns(text)

    def scene(self, title: str, desc: str) -> Scene:
        """The drawing, as high as its lowest shape."""
        return Scene(title, desc, self.width, bottom(self.shapes), tuple(self.shapes))


def bottom(shapes: Iterable[Shape]) -> int:
    """The first line below the shapes."""
    return max((y + 1 for shape in shapes for _, y in corners(shape)), default=0)


def corners(shape: Shape) -> tuple[Cell, Cell]:
    """The first and the last cell of the rectangle around a shape."""
    match shape:
        case Label():
            return (shape.x, shape.y), (shape.x + max(1, columns(shape.text)) - 1, shape.y)
        case Span():
            return (shape.x, shape.y), (shape.x + shape.w - 1, shape.y)
        case Bar():
            first, last = bar_cells(shape)
            return (first, shape.y), (last, shape.y)
        case Frame():
            return (shape.x, shape.y), (shape.x + shape.w - 1, shape.y + shape.h - 1)
        case Stroke():
            x1, x2 = sorted((shape.x1, shape.x2))
            y1, y2 = sorted((shape.y1, shape.y2))
            return (x1, y1), (x2, y2)
        case Mark():
            return (shape.x, shape.y), (shape.x, shape.y)


def bar_cells(bar: Bar) -> tuple[int, int]:
    """The first and the last cell of a bar as a grid shows it: never none."""
    first = int(bar.x + 0.5)
    return first, max(first, int(bar.x + bar.w + 0.5) - 1)


def cells(shape: Shape) -> Iterator[Cell]:
    """Every cell that a shape takes: of a frame only its border."""
    (x1, y1), (x2, y2) = corners(shape)
    for y in range(y1, y2 + 1):
        for x in range(x1, x2 + 1):
            if not isinstance(shape, Frame) or x in (x1, x2) or y in (y1, y2):
                yield x, y


def moved(shape: Shape, right: int, down: int) -> Shape:
    """The same shape elsewhere."""
    if isinstance(shape, Stroke):
        return replace(shape, x1=shape.x1 + right, x2=shape.x2 + right, y1=shape.y1 + down, y2=shape.y2 + down)
    x: Any = shape.x + right  # whole, but for a bar
    return replace(shape, x=x, y=shape.y + down)


def stacked(title: str, scenes: Iterable[Scene], gap: int = 1) -> Scene:
    """Drawings one below the other as one."""
    parts = [scene for scene in scenes if scene.shapes]
    shapes: list[Shape] = []
    down = 0
    for scene in parts:
        shapes += (moved(shape, 0, down) for shape in scene.shapes)
        down += scene.height + gap
    desc = " ".join(scene.desc for scene in parts if scene.desc)
    return Scene(
        title, desc, max((scene.width for scene in parts), default=LEAST_WIDTH), max(0, down - gap), tuple(shapes)
    )
