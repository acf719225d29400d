"""sticktrace reads recordings of USB mass-storage traffic and says what happened, command by command."""
