"""IEC 61162-1 sentences."""
