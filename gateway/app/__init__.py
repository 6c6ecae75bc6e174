"""Start, stop and watch over the daemon."""
