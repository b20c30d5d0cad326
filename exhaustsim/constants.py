"""Constants of nature in SI units, and the two conventions of the trade.

The first group is exact by definition of the SI (CODATA 2018/2022 adjustments).
`REFERENCE_TEMPERATURE` is the temperature to which gas amounts in Pa L are referred
when they are shown to a person; inside, amounts are moles.
"""

BOLTZMANN = 1.380649e-23  # J/K, exact
AVOGADRO = 6.02214076e23  # 1/mol, exact
GAS_CONSTANT = BOLTZMANN * AVOGADRO  # J/(mol K)
ELEMENTARY_CHARGE = 1.602176634e-19  # C, exact
STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m^2 K^4), exact value of the defining constants, rounded
ATMOSPHERE = 101325.0  # Pa, standard atmosphere, exact
REFERENCE_TEMPERATURE = 293.15  # K, 20 degC: amounts in Pa L are referred to it
ZERO_CELSIUS = 273.15  # K

#: Gases in the fixed order of every array in the package.
GAS_NAMES = ("H2", "He", "CH4", "H2O", "N2", "CO", "O2", "Ar", "CO2")
H2, HE, CH4, H2O, N2, CO, O2, AR, CO2 = range(9)
GAS_COUNT = 9

#: Elements of the element ledger, and the atoms of each in a molecule of each gas.
ELEMENT_NAMES = ("H", "He", "C", "N", "O", "Ar")
ATOMS = (
    # H  He  C  N  O  Ar
    (2, 0, 0, 0, 0, 0),  # H2
    (0, 1, 0, 0, 0, 0),  # He
    (4, 0, 1, 0, 0, 0),  # CH4
    (2, 0, 0, 0, 1, 0),  # H2O
    (0, 0, 0, 2, 0, 0),  # N2
    (0, 0, 1, 0, 1, 0),  # CO
    (0, 0, 0, 0, 2, 0),  # O2
    (0, 0, 0, 0, 0, 1),  # Ar
    (0, 0, 1, 0, 2, 0),  # CO2
)
