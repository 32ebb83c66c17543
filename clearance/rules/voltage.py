"""Owns how a system's nominal voltage becomes its highest voltage.

A system is named by its nominal voltage, but overvoltages are per unit of the highest voltage it runs at: at the
nominal 220 kV the phase-to-phase limit would come out almost half a metre short. A nominal voltage that is in no list
is refused, not guessed: then the highest voltage must be given.

References
[1] IEC 60038, tables 3 to 5 (nominal and highest voltages), from memory.
[2] United States practice, the classes of 29 CFR 1910.269 Tables R-6 and R-7 and of ANSI C84.1, from memory. For 230
    kV read in USDA RUS Bulletin 1724E-200, chapter 4: "230 | 242".
"""

from __future__ import annotations

import math
from typing import Literal

from clearance.errors import InputError, Mistake
from clearance.rules.records import Fact, SystemVoltage

Practice = Literal["IEC", "US"]

# Nominal -> highest, phase to phase [kV]. 154, 161 and 275 are not in every edition of IEC 60038: the next highest
# voltage up.
HIGHEST_IEC_KV: dict[float, float] = {
    3.0: 3.6, 3.3: 3.6, 6.0: 7.2, 6.6: 7.2, 10.0: 12.0, 11.0: 12.0, 15.0: 17.5, 20.0: 24.0, 22.0: 24.0, 30.0: 36.0,
    33.0: 36.0, 35.0: 40.5, 45.0: 52.0, 60.0: 72.5, 66.0: 72.5, 69.0: 72.5, 110.0: 123.0, 115.0: 123.0, 132.0: 145.0,
    138.0: 145.0, 150.0: 170.0, 154.0: 170.0, 161.0: 170.0, 220.0: 245.0, 225.0: 245.0, 230.0: 245.0, 275.0: 300.0,
    330.0: 362.0, 345.0: 362.0, 380.0: 420.0, 400.0: 420.0, 500.0: 550.0, 735.0: 800.0, 750.0: 800.0, 765.0: 800.0,
}  # fmt: skip
# Above 72.5 kV the tops of the classes of Table R-7, so that a nominal voltage never leaves the class it names.
HIGHEST_US_KV: dict[float, float] = {
    2.4: 2.54, 4.16: 4.4, 6.9: 7.26, 12.47: 13.2, 13.2: 13.97, 13.8: 14.52, 20.0: 24.0, 24.94: 26.4, 34.5: 36.5,
    46.0: 48.3, 66.0: 72.5, 69.0: 72.5, 110.0: 121.0, 115.0: 121.0, 132.0: 145.0, 138.0: 145.0, 154.0: 169.0,
    161.0: 169.0, 220.0: 242.0, 230.0: 242.0, 275.0: 362.0, 287.0: 362.0, 330.0: 362.0, 345.0: 362.0, 380.0: 420.0,
    400.0: 420.0, 500.0: 550.0, 735.0: 800.0, 750.0: 800.0, 765.0: 800.0,
}  # fmt: skip

LISTS: dict[Practice, tuple[dict[float, float], str]] = {
    "IEC": (HIGHEST_IEC_KV, "IEC 60038"),
    "US": (HIGHEST_US_KV, "United States practice (the top of the voltage class of 29 CFR 1910.269 Table R-7)"),
}

FACTS: dict[Practice, Fact] = {
    "IEC": Fact(
        "IEC 60038", "tables 3 to 5", "highest voltage of each nominal voltage", "memory", "text not read", True,
    ),
    "US": Fact(
        "US practice", "ANSI C84.1 and Table R-7", "highest voltage of each nominal voltage", "memory",
        "only 230 to 242 kV read, in USDA RUS Bulletin 1724E-200 chapter 4", True,
    ),
}  # fmt: skip


def system_voltage(voltage_kV: float | None, highest_kV: float | None, practice: Practice) -> SystemVoltage:
    """The highest voltage of a system.

    Parameters
    ----------
    voltage_kV: nominal voltage, phase to phase [kV]
    highest_kV: highest voltage, phase to phase [kV]; taken as given when it is
    practice: which list of highest voltages serves a nominal voltage alone

    Raises InputError when neither is given, when either is no positive number, when the highest is below the nominal,
    or when the nominal voltage is in no list.

    >>> system_voltage(220, None, "IEC").highest_kV, system_voltage(220, None, "US").highest_kV
    (245.0, 242.0)
    >>> system_voltage(None, 236.5, "US").highest_kV
    236.5
    """
    mistakes = [
        Mistake(("voltage", key), "a number of kilovolts above 0", repr(value))
        for key, value in (("voltage_kV", voltage_kV), ("highest_kV", highest_kV))
        if value is not None and not is_positive(value)
    ]
    if voltage_kV is None and highest_kV is None:
        mistakes.append(
            Mistake(
                ("voltage",), "voltage_kV (nominal) or highest_kV", "neither", "give one of them, in kV phase to phase"
            )
        )
    if mistakes:
        raise InputError(mistakes)
    nominal = None if voltage_kV is None else float(voltage_kV)
    if highest_kV is not None:
        highest = float(highest_kV)
        if nominal is not None and highest < nominal:
            raise InputError(
                Mistake(
                    ("voltage", "highest_kV"),
                    f"at least the nominal {nominal:g} kV",
                    f"{highest:g} kV",
                    "mend one of the two",
                )
            )
        return SystemVoltage(nominal, highest, f"highest voltage {highest:g} kV, as given")
    assert nominal is not None
    table, source = LISTS[practice]
    found = table.get(nominal)
    if found is None:
        hint = (
            f"{nominal:g} kV is itself a highest voltage: give it as highest_kV"
            if nominal in table.values()
            else (
                f"the nominal voltages listed are {', '.join(f'{kV:g}' for kV in table)}; for another give highest_kV"
            )
        )
        raise InputError(Mistake(("voltage", "voltage_kV"), f"a nominal voltage of {source}", f"{nominal:g} kV", hint))
    return SystemVoltage(nominal, found, f"nominal {nominal:g} kV, highest {found:g} kV by {source}")


def is_positive(value: object) -> bool:
    """Whether a value is a finite number above 0."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0
