"""What touches the world: probes, the relay's line, the clock. Importing this imports nothing else."""
