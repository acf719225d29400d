"""What bytes mean: one module per published document, no I/O, no state."""
