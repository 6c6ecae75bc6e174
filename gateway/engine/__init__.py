"""One engine's thread, and the one way in for what a person asks."""
