"""The smallest part of a capture that still says what the whole of it says."""
