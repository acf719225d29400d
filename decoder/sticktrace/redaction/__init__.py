"""Copies of a capture that can be passed on."""
