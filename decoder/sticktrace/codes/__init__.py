"""Assigned numbers and their meaning: plain tables, each with its source; no layouts, no state."""
