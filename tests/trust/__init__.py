"""Trust: hostile input, interrupted work and sizes at the edge.

`python -m tests.trust.fuzz` and `python -m tests.trust.killpoints` run for as long as they are given; the tests beside them run
a part of each.
"""
