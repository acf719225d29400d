"""Where the time goes."""
