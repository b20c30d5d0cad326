"""Demonstrations for the trainer: what each asks, what may be moved, and what comes of it."""
