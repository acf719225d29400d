"""The only room that opens a file for writing: whole or not at all, and never over what it must not touch.

The one exception is a `Recording`, which grows under its own name, because nothing of it may be lost."""
