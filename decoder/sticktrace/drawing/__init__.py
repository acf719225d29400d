"""Drawings: facts become a scene of a few shapes, a scene becomes text or SVG. No I/O, no decisions about the facts."""
