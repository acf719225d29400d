"""The same facts as tables, JSON lines, CSV, images, captures."""
