"""The gas ledger: every molecule of every gas is accounted for, or the run has failed.

Per gas:  initial + admitted + released by source + formed by reaction
        = pumped by line + on and in the mirror + consumed by reaction + in the gas.
Per element the same with reactions gone: what the reactions leave behind in a part
(oxygen in nickel, carbon and hydrogen from cleaned-up methane) is booked to that part.
Amounts are moles.  Gas once mixed carries no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.constants import ATOMS, ELEMENT_NAMES, GAS_NAMES


@dataclass(frozen=True)
class GasLedger:
    """Account of one run from the first opening of the port to the last sample.

    Each array has one entry per gas (order of `constants.GAS_NAMES`), in mol.
    """

    initial: np.ndarray  # in bulb and head at the start
    admitted: dict[str, np.ndarray]  # "port plate in-leak", "head rubber", "wall permeation", "in-leak of the bulb", "head surfaces"
    released: dict[str, np.ndarray]  # by source, "part: label"
    formed: dict[str, np.ndarray]  # by reaction
    pumped: dict[str, np.ndarray]  # by line name
    sorbed: np.ndarray  # on and in the mirror
    consumed: dict[str, np.ndarray]  # by reaction
    in_bulb: np.ndarray
    in_head: np.ndarray  # head dead volume and severed pip
    held: dict[str, np.ndarray]  # still held, by source
    inventory: np.ndarray  # initial + held at entry + admitted + formed: what errors are measured against
    element_inventory: np.ndarray  # (element,)
    element_residual: np.ndarray  # (element,) mol of atoms not accounted for

    @property
    def residual(self) -> np.ndarray:
        """(gas,) mol not accounted for."""
        total = self.initial.copy()
        for group in (self.admitted, self.released, self.formed):
            for amount in group.values():
                total = total + amount
        for group in (self.pumped, self.consumed):
            for amount in group.values():
                total = total - amount
        return total - self.sorbed - self.in_bulb - self.in_head

    @property
    def gas_error(self) -> np.ndarray:
        """(gas,) residual as a share of the inventory of that gas."""
        return np.abs(self.residual) / np.maximum(self.inventory, 1e-30)

    @property
    def element_error(self) -> np.ndarray:
        """(element,) residual as a share of the inventory of that element."""
        return np.abs(self.element_residual) / np.maximum(self.element_inventory, 1e-30)

    @property
    def error(self) -> float:
        """Worst relative residual over gases and elements."""
        return float(max(self.gas_error.max(), self.element_error.max()))

    def by_gas(self, gas: str) -> dict[str, float]:
        """One gas as a flat account: signed entries in mol that sum to the residual."""
        i = GAS_NAMES.index(gas)
        account = {"initial": float(self.initial[i])}
        for sign, group, word in (
            (1, self.admitted, "admitted"),
            (1, self.released, "released"),
            (1, self.formed, "formed"),
            (-1, self.pumped, "pumped"),
            (-1, self.consumed, "consumed"),
        ):
            account |= {f"{word}: {name}": sign * float(amount[i]) for name, amount in group.items()}
        account["sorbed by the mirror"] = -float(self.sorbed[i])
        account["in the bulb"] = -float(self.in_bulb[i])
        account["in head and pip"] = -float(self.in_head[i])
        return account


def atoms_of(amount_by_gas) -> np.ndarray:
    """(element,) mol of atoms in amounts of the nine gases, order of `constants.ELEMENT_NAMES`."""
    atoms = np.asarray(ATOMS, dtype=float)
    assert atoms.shape == (len(GAS_NAMES), len(ELEMENT_NAMES))
    return np.asarray(amount_by_gas) @ atoms
