"""Writes the refrigerant tables of the simulator: ``python -m tests.helpers.write_refrigeration``."""

import sys
from pathlib import Path

import numpy as np
from CoolProp import __version__
from CoolProp.CoolProp import PropsSI

FOLDER = Path(__file__).resolve().parents[2] / "firmware_sim" / "plant" / "data"
REFRIGERANTS = ("R134a", "R600a")

EVAPORATING_C = np.arange(-45.0, 20.1, 2.5)
CONDENSING_C = np.arange(15.0, 85.1, 5.0)

SUPERHEAT_K = 10.0
SUBCOOLING_K = 5.0
KELVIN = 273.15


def cycle(refrigerant, evaporating_c, condensing_c):
    """Return pressures [kPa], cooling and isentropic work for each swept volume [kJ/m³]."""
    low_pa = PropsSI("P", "T", evaporating_c + KELVIN, "Q", 1, refrigerant)
    high_pa = PropsSI("P", "T", condensing_c + KELVIN, "Q", 1, refrigerant)
    suction_k = evaporating_c + SUPERHEAT_K + KELVIN
    kg_per_m3, suction_j, entropy = (
        PropsSI(name, "T", suction_k, "P", low_pa, refrigerant) for name in "DHS"
    )
    liquid_j = PropsSI("H", "T", condensing_c - SUBCOOLING_K + KELVIN, "P", high_pa, refrigerant)
    pressed_j = PropsSI("H", "P", high_pa, "S", entropy, refrigerant)
    return (
        low_pa / 1000.0,
        high_pa / 1000.0,
        kg_per_m3 * (suction_j - liquid_j) / 1000.0,
        kg_per_m3 * (pressed_j - suction_j) / 1000.0,
    )


def text(refrigerant):
    """Return one table as it is stored."""
    what = (
        f"# {refrigerant}, ideal cycle between two pressures, {SUPERHEAT_K:g} K useful superheat, "
        f"{SUBCOOLING_K:g} K subcooling, isentropic compression."
    )
    how = (
        f"# Made by tests/helpers/write_refrigeration.py with CoolProp {__version__} (Bell and others, "
        "Ind. Eng. Chem. Res. 53 (2014) 2498-2508)."
    )
    head = "evaporating_c,condensing_c,evaporating_kpa,condensing_kpa,cooling_kj_per_m3,work_kj_per_m3"
    lines = [what, how, head]
    for low_c in EVAPORATING_C:
        for high_c in CONDENSING_C:
            # A table is read between its rows: where the hot side is the colder one the work is nought.
            low, high, cooling, work = cycle(refrigerant, low_c, high_c)
            work = max(work, 0.0)
            lines.append(f"{low_c:g},{high_c:g},{low:.2f},{high:.2f},{cooling:.2f},{work:.2f}")
    return "\n".join(lines) + "\n"


def main():
    FOLDER.mkdir(exist_ok=True)
    for refrigerant in REFRIGERANTS:
        (FOLDER / f"refrigeration_{refrigerant.lower()}.csv").write_text(text(refrigerant), encoding="utf-8")
    sys.stdout.write(f"written to {FOLDER.name}\n")


if __name__ == "__main__":
    main()
