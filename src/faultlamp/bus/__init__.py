"""Live buses, through python-can: `opening` is the only place that opens one, a `Listener` cannot send."""
