"""The terminal screen: a capture read by exchanges."""
