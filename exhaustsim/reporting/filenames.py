"""What a file is called after a schedule: letters and figures of its name, whatever else the name holds.

A name comes from a file that somebody else may have written, so it never steers where something is written: no folders, no hidden
files, nothing that reads as an option of a command, no name that an operating system keeps for a device, and short enough for
every disk.  Two schedules may give the same word; whoever writes several files puts a number before it.
"""

from __future__ import annotations

LONGEST = 100  # bytes; disks take 255, and something is put before and behind
DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}


def file_name(name: str) -> str:
    """`name` as a part of a file name.

    >>> file_name("DT-1 standard"), file_name("../../etc/passwd"), file_name("con"), file_name("?")
    ('DT-1_standard', 'etc_passwd', 'con_', 'schedule')
    """
    kept = "".join(c if c.isalnum() or c == "-" else "_" for c in name)
    kept = kept.strip("_-").encode("utf-8")[:LONGEST].decode("utf-8", "ignore").strip("_-")
    return f"{kept}_" if kept.lower() in DEVICES else kept or "schedule"
