"""The errors that reach a caller. Anything else that escapes the library is a bug."""


class SticktraceError(Exception):
    """Base of every error that sticktrace raises on purpose; its text is one line fit for a person."""


class CaptureError(SticktraceError):
    """A capture cannot be read at all (wrong form, unknown link type, empty, unreadable file)."""


class LayoutError(SticktraceError):
    """Bytes do not fit a layout, or values cannot be built into one."""
