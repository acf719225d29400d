"""What a redacted copy promises, and what it does not: the one list of what is left in."""

from __future__ import annotations

LEFT_IN = (
    "what kind of device it is: vendor and product ids, descriptors, capacity, speed, abilities that answers describe",
    "every command with its block addresses and lengths, its status and sense data",
    "times: of every record, and the order of what happened",
    "the number and sizes of files, how directories nest, which clusters they take; dates and attributes of files",
    "of names, labels and strings the length, the places of zeros, dots and other signs, and which are equal",
    "of contents which blocks are equal, and which are all zero or all ones",
    "command blocks as they were sent, those of a vendor's own commands too; numbers of ports, buses and addresses",
)
"""In plain words, one thing a line."""
