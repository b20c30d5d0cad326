"""Commented examples of every sort of file a user may bring, to be filled in.

They stand as TOML beside the data tables, in `templates/`.  All figures in them are invented;
each reads without fault, the schedule once valve and machine stand beside it under the names
it gives.
"""

from __future__ import annotations

from importlib import resources

KINDS_OF_TEMPLATE = ("valve", "machine", "schedule", "materials", "gases", "pumps", "gauges", "getters", "tolerances")


def text_of(kind: str) -> str:
    """The template of one of `KINDS_OF_TEMPLATE`; raises `KeyError` for another word.

    >>> text_of("gauges").startswith("#")
    True
    """
    if kind not in KINDS_OF_TEMPLATE:
        raise KeyError(f"no template {kind!r}; there are {', '.join(KINDS_OF_TEMPLATE)}")
    return resources.files("exhaustsim.data").joinpath("templates", f"{kind}.toml").read_text(encoding="utf-8")
