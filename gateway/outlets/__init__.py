"""What the gateway shows and sends; each reads the present or the outbox, nothing else."""
