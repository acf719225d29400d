"""What the commands mean: parameter data, sense, capacity, readiness."""
