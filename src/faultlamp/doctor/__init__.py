"""What is installed, which adapters are seen, whether a bus is alive, and what to check when it is not."""
