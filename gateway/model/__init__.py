"""Floor 0, the vocabulary: frozen records with units in their names, words, errors, limits, settings."""
