"""What must hold for every drawing: nothing outside, no cell taken twice, text as wide as it claims, sound SVG."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections import Counter

from sticktrace.drawing.as_svg import svg
from sticktrace.drawing.as_text import text_lines
from sticktrace.drawing.measure import columns
from sticktrace.drawing.scene import Bar, Frame, Scene, Shape, Stroke, cells, corners
from sticktrace.drawing.scene import Label as LabelShape

SVG = "{http://www.w3.org/2000/svg}"
OUTSIDE = re.compile(r"https?:|url\(|@import|<script|<image|<foreignObject|href", re.I)


def check(scene: Scene) -> None:
    """All of it."""
    check_inside(scene)
    check_apart(scene)
    check_text(scene)
    check_svg(scene)


def check_inside(scene: Scene) -> None:
    """Every shape lies within the drawing's own size."""
    for shape in scene.shapes:
        for x, y in corners(shape):
            assert 0 <= x < scene.width and 0 <= y < scene.height, (scene.title, shape, scene.width, scene.height)
        if isinstance(shape, Bar):
            assert shape.w >= 0 and shape.x >= 0 and shape.x + shape.w <= scene.width + 1e-6, shape


def _meets(shape: Shape) -> bool:
    """Whether a shape is a line, which may meet others of its kind."""
    return isinstance(shape, Stroke | Frame)


def check_apart(scene: Scene) -> None:
    """No cell is taken twice, but where lines meet."""
    taken: dict[tuple[int, int], Shape] = {}
    for shape in scene.shapes:
        for cell in cells(shape):
            other = taken.get(cell)
            assert other is None or (_meets(shape) and _meets(other)), (scene.title, cell, shape, other)
            taken[cell] = shape


def check_text(scene: Scene) -> None:
    """No line is wider than the drawing, in box characters or ASCII, and every word stands in it as it is."""
    lines = list(text_lines(scene))
    assert len(lines) == scene.height
    for line in lines + (plain := list(text_lines(scene, ascii_only=True))):
        assert columns(line) <= scene.width, line
        assert "\x1b" not in line and "\n" not in line
    assert "".join(plain).isascii()
    for shape in scene.shapes:
        if isinstance(shape, LabelShape) and shape.text.isascii():
            assert lines[shape.y][shape.x :].startswith(shape.text.rstrip()) or not lines[shape.y].isascii()
            assert shape.text.strip() in lines[shape.y], (shape, lines[shape.y])


def check_svg(scene: Scene) -> None:
    """One well-formed element, with title and description, from which nothing leads outside."""
    text = svg(scene)
    root = ElementTree.fromstring(text)
    assert root.tag == f"{SVG}svg" and root.get("role") == "img"
    idents = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(idents) == len(set(idents))
    assert set(str(root.get("aria-labelledby")).split()) <= set(idents)
    assert root.find(f"{SVG}title") is not None and root.find(f"{SVG}desc") is not None
    assert not OUTSIDE.search(text.replace('xmlns="http://www.w3.org/2000/svg"', "")), OUTSIDE.search(text)
    said = Counter(element.text or "".join(element.itertext()) for element in root.iter(f"{SVG}text"))
    assert sum(said.values()) == sum(isinstance(shape, LabelShape) for shape in scene.shapes)
