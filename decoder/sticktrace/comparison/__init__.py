"""Two captures, step by step: what differs, and what a person would name first."""
