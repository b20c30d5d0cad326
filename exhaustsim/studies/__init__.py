"""Questions asked of runs: does this schedule do, which of several is best, and why."""
