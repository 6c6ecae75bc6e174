"""The report: what it says, its plots and its page, all without touching disk, clock or network."""
