"""Compiled simulation: numbering, rates, stepper, carrying a valve through its schedule."""
