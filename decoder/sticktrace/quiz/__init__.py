"""Questions out of a capture, for whoever learns: what will the status be, the sense, the next step."""
