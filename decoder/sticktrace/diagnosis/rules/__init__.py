"""The rules of diagnosis, one module per layer. `sticktrace.diagnosis.catalogue` collects them."""
