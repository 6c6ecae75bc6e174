"""Floor 0: the vocabulary. Frozen records with units in their names, quality, errors, limits, settings. Imports nothing of ours."""
