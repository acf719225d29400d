"""The dictionary: what anything means that sticktrace prints or that a user meets."""
