"""A capture as one page, for people without sticktrace, or as Markdown for a bug tracker."""
