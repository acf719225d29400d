"""Will this stick work on that board: the profile, the evidence, the limits."""
