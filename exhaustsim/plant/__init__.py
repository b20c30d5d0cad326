"""What is built, how it is set, what its gauges showed: valve, machine, schedule, and their files."""
