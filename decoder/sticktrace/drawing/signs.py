"""The signs and lines of a drawing as characters, with a plain ASCII form of each that is as wide."""

from __future__ import annotations

NORTH, EAST, SOUTH, WEST = 1, 2, 4, 8

LINES = " ╵╶└╷│┌├╴┘─┴┐┤┬┼"
"""The character for each sum of the directions in which a line leaves a cell."""

LINES_ASCII = " |-`||,|-'-++|++"

GROUP = {"first": "╘", "last": "╛", "middle": "═", "only": "╧"}
GROUP_ASCII = {"first": "`", "last": "'", "middle": "=", "only": "="}
FAINT = {"up": "┊", "level": "┄"}
FAINT_ASCII = {"up": ":", "level": "."}
HEADS = {(1, 0): "▶", (-1, 0): "◀", (0, 1): "▼", (0, -1): "▲"}
HEADS_ASCII = {(1, 0): ">", (-1, 0): "<", (0, 1): "v", (0, -1): "^"}
FILLS = {"solid": "█", "dense": "▒", "light": "░"}
HEIGHTS = "▁▂▃▄▅▆▇█"
HEIGHTS_ASCII = "__..-=%#"
FILLS_ASCII = {"solid": "#", "dense": "=", "light": "-"}

MARKS = {
    "dot": "•", "ring": "○", "failed": "✗", "done": "●", "cut": "╳", "read": "▽", "write": "▲", "both": "◆",
    "tick": "┬", "gap": "⋮", "here": "▶", "next": "▸",
}  # fmt: skip
MARKS_ASCII = {
    "dot": "*", "ring": "o", "failed": "X", "done": "@", "cut": "X", "read": "r", "write": "W", "both": "B",
    "tick": "+", "gap": ":", "here": ">", "next": ">",
}  # fmt: skip

_PLAIN = str.maketrans("µ…·→←↑↓–—×≤≥▸●○•", "u~.><^v--x<>>@o*")


def in_ascii(text: str) -> str:
    """A text in ASCII that takes as many columns."""
    if text.isascii():
        return text
    from sticktrace.drawing.measure import columns

    return "".join(char if char.isascii() else "?" * columns(char) for char in text.translate(_PLAIN))
