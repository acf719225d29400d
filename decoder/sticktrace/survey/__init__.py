"""Many captures at once: one row for each stick in each of them."""
