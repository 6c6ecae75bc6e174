"""Where bytes of a sensor head come from."""
