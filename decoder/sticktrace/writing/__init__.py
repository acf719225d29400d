"""The only room that opens a file for writing: whole or not at all, and never over what it must not touch."""
