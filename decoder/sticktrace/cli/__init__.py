"""Thin click commands, one file per verb."""
