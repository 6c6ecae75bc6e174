"""The fleet's side, ashore: subscribe, check, keep, list. Shares `gateway.model` and `gateway.encode`, nothing else."""
