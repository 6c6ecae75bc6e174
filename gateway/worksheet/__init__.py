"""The work sheets: cautions, figures, order of steps, waits, and what to book after. Data and sums, nothing else."""
