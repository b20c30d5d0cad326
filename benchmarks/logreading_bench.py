"""What it costs to read a long pressure log.

    python benchmarks/logreading_bench.py [ROWS]

writes invented logs of 300,000 rows in five ways into a directory of its own that is removed again, and
prints the processor time of reading each.
"""

from __future__ import annotations

import datetime
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from exhaustsim.plant.pressurelog import load_log

HEAD_TRACE = (
    "t_s,machine_id,head_no,position,port_open,pressure_raw,pressure_unit,gauge_range,gauge_status,gauge_type,gauge_cal_gas,event,"
    "bulb_wall_c,anode_c,cathode_c\n"
)


def texts(rows: int):
    """Name, text and options of each log."""
    t = np.arange(rows) * 0.2
    p = (100.0 * np.exp(-t / 20000.0) + 0.01) * np.exp(0.03 * np.random.default_rng(1).standard_normal(rows))
    start = datetime.datetime(2023, 8, 4)
    moments = [start + datetime.timedelta(seconds=float(s)) for s in t]
    pairs = list(zip(t, moments, p, strict=True))
    yield "two gauges, elapsed", "t_s,P1 [mbar],P2 [mbar]\n" + "".join(f"{s:.1f},{x:.4e},{2 * x:.3e}\n" for s, _, x in pairs), {}
    yield "ISO times", "time,P [mbar]\n" + "".join(f"{m.isoformat(sep=' ', timespec='milliseconds')},{x:.4e}\n" for _, m, x in pairs), {}
    comma = "".join(f"{m:%d/%b/%Y;%I:%M:%S %p};{x:.4e}\n" for _, m, x in pairs).replace(".", ",")
    yield "twelve hours, decimal commas", "Date;Time;P [mbar]\n" + comma, {}
    yield "head trace, 15 columns", HEAD_TRACE + "".join(
        f"{s:.1f},RX16,7,{int(s // 40) % 16 + 1},1,{x:.4e},mbar,3,{'ok' if x > 1 else 'under'},thermal_conductivity,N2,,300.1,200.2,150.3\n"
        for s, _, x in pairs
    ), {}
    blanks = "".join(f"{m:%d-%b-%Y %H:%M:%S}  {x:.4e} {'Off' if i % 7 else '1.2E-3'}\n" for i, (_, m, x) in enumerate(pairs))
    yield "blanks, words, no heading", blanks, {"columns": {2: "mbar", 3: "torr"}}


def seconds_to_read(rows: int = 300_000, times: int = 3) -> dict[str, float]:
    """Median processor time of reading each log [s]."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, text, options in texts(rows):
            path = Path(folder) / "log.csv"
            path.write_text(text)
            spent = []
            for _ in range(times):
                begin = time.process_time()
                load_log(path, **options)
                spent.append(time.process_time() - begin)
            found[name] = statistics.median(spent)
    return found


if __name__ == "__main__":
    for name, spent in seconds_to_read(int(sys.argv[1]) if len(sys.argv) > 1 else 300_000).items():
        print(f"{name:32s} {spent:.2f} s")
