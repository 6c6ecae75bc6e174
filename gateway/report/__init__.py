"""The report: its figures, its plots and its page, all without touching disk, clock or network."""
