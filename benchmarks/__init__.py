"""What a run costs: processor time, work counts, memory, and the same model by general-purpose solvers.

`make bench` (or `python -m benchmarks`) prints every figure and writes `bench.json`;
`python -m benchmarks anatomy` tells where the time of a step goes.

Times are processor seconds of the process unless "wall" is written, because the figures of
interest are ratios and a busy machine spoils wall time; ratios are measured interleaved in one
run.  Linear algebra is held to one thread, which must be set before numpy is loaded: that is
done here.
"""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"
