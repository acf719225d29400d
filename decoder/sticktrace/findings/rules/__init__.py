"""The rules of diagnosis, one module per layer. `sticktrace.findings.catalogue` collects them."""
