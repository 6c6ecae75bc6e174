"""Floor 5: the commands, one file each: `add` describes its arguments, `main` does it and returns the exit status."""
