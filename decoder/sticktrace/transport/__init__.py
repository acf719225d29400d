"""Sans-I/O pairing of transfers into exchanges."""
