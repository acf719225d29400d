"""Sectors seen, and the partitions, file systems and files in them."""
