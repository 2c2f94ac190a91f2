"""The intake from the dashboard: asking every controller for all it has, after a clear yes, and showing what came."""
