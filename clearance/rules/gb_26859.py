"""Owns the distances of the Chinese live-working rules (DL 409 and GB 26859 family): the rule "gb-26859".

The table gives whole distances and no split; so the whole is taken as the electrical part, which is the careful side.
A worker between phase and earth, at neither, makes a **combined gap** of two gaps in series: the limit for a
conductive object to earth. Between phases the rule has a distance of an equipotential worker from the adjacent phase,
and none for an object in that gap.

Read, https://1006ss.com/a/diangonganquan/20161204/13078_2.html (edition not stated), table 8-1 to 8-3: "10 35 66 110
220 330 500 ... 0.4 0.6 0.7 1.0 1.8(1.6)* 2.2 3.4(3.2)**"; "110 1.3 1.0, 220 2.1 1.8, 330 3.1 2.8, 500 4.0 3.7"; "35 66
110 220 330 500 ... 2 3 5 9 16 23". 1.6 m at 220 kV only with the approval of the unit's head (chief engineer) and the
measures needed; 3.2 m at 500 kV only below 500 m altitude and not on a compact line. The adjacent phase, the combined
gap and the transfer distance are from memory.

>>> from clearance.rules import required
>>> [required("gb-26859", "phase-earth", gap=gap, voltage_kV=220).limit_m for gap in ("air", "tool", "object")]
[1.8, 1.8, 2.1]
>>> required("gb-26859", "phase-phase", gap="air", voltage_kV=220).limit_m
2.5
"""

from __future__ import annotations

from clearance.errors import InputError, Mistake, RuleError
from clearance.rules import overvoltage
from clearance.rules.inputs import InputSpec, text
from clearance.rules.records import (
    Case,
    Fact,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    SystemVoltage,
    Value,
    What,
    unconfirmed,
)
from clearance.rules.voltage import is_positive

NAME = "gb-26859"
EDITION = "DL 409 / GB 26859 family, edition of the text read not stated"
ALTITUDE_TOP_M = 1000.0

# nominal -> highest voltage [kV]
CLASSES: dict[float, float] = {
    10.0: 12.0,
    35.0: 40.5,
    66.0: 72.5,
    110.0: 126.0,
    220.0: 252.0,
    330.0: 363.0,
    500.0: 550.0,
}
# Nominal voltages of other countries, put in the class that holds their highest voltage.
NEIGHBOURS: dict[float, float] = {
    69.0: 66.0,
    115.0: 110.0,
    132.0: 220.0,
    138.0: 220.0,
    150.0: 220.0,
    154.0: 220.0,
    161.0: 220.0,
    230.0: 220.0,
    275.0: 330.0,
    345.0: 330.0,
    380.0: 500.0,
    400.0: 500.0,
}

TO_LIVE: dict[float, float] = {10.0: 0.4, 35.0: 0.6, 66.0: 0.7, 110.0: 1.0, 220.0: 1.8, 330.0: 2.6, 500.0: 3.4}
TO_LIVE_READ_330_M = 2.2
APPROVED_220_M = 1.6
LOW_ALTITUDE_500_M = 3.2
ADJACENT_PHASE: dict[float, float] = {110.0: 1.4, 220.0: 2.5, 330.0: 3.5, 500.0: 5.0}
COMBINED_GAP: dict[float, float] = {110.0: 1.2, 220.0: 2.1, 330.0: 3.1, 500.0: 4.0}
ROD: dict[float, float] = {10.0: 0.7, 35.0: 0.9, 66.0: 1.0, 110.0: 1.3, 220.0: 2.1, 330.0: 3.1, 500.0: 4.0}
LOAD_BEARING: dict[float, float] = {10.0: 0.4, 35.0: 0.6, 66.0: 0.7, 110.0: 1.0, 220.0: 1.8, 330.0: 2.8, 500.0: 3.7}
SOUND_INSULATORS: dict[float, int] = {35.0: 2, 66.0: 3, 110.0: 5, 220.0: 9, 330.0: 16, 500.0: 23}
TRANSFER: tuple[tuple[float, float], ...] = ((252.0, 0.3), (550.0, 0.4))
"""(top [kV], least distance of a bare body from the live part at potential transfer [m]): up to 220 kV, and 330 to 500
kV."""

INPUTS: tuple[InputSpec, ...] = (
    InputSpec("written_approval", "text", "who approved 1.6 m at 220 kV in writing, and the measures taken"),
    InputSpec("compact_line", "flag", "false where the 500 kV line is known not to be a compact one"),
)

_SOURCE = "public copy, tables 8-1 to 8-3, edition not stated"
FACT_TO_LIVE = Fact("GB 26859 family", "Table 8-1", "person to live part", "read", _SOURCE)
FACT_330 = Fact(
    "GB 26859 family",
    "Table 8-1",
    "person to live part at 330 kV, 2.6 m",
    "memory",
    "the text read says 2.2 m, a later edition 2.6 m: the larger is used",
)
FACT_LENGTH = Fact("GB 26859 family", "Table 8-2", "effective insulating lengths", "read", _SOURCE)
FACT_SOUND = Fact("GB 26859 family", "Table 8-3", "sound insulators in a string", "read", _SOURCE)
FACT_ADJACENT = Fact(
    "GB 26859 family", "equipotential work", "worker at potential to the adjacent phase", "memory", "text not read"
)
FACT_COMBINED = Fact(
    "GB 26859 family",
    "equipotential work",
    "combined gap",
    "memory",
    "text not read; at 500 kV 3.9 or 4.0 m by edition",
)
FACT_TRANSFER = Fact(
    "GB 26859 family",
    "equipotential work",
    "bare body to live part at potential transfer 0.3 m up to the 220 kV class, 0.4 m at 330 to 500 kV",
    "memory",
    "text not read",
)
FACT_ALTITUDE = Fact(
    "GB 26859 family", "tables", "valid up to 1000 m above sea level", "memory", "only the note at 500 kV read"
)
FACT_CLASSES = Fact("GB/T 156", "system voltages", "highest voltage of each class", "memory", "text not read")
FACTS = (
    FACT_TO_LIVE,
    FACT_330,
    FACT_LENGTH,
    FACT_SOUND,
    FACT_ADJACENT,
    FACT_COMBINED,
    FACT_TRANSFER,
    FACT_ALTITUDE,
    FACT_CLASSES,
)


def system(voltage_kV: float | None, highest_kV: float | None) -> SystemVoltage:
    """The system's class: the table is keyed by it. nominal_kV of the answer is the class.

    Raises InputError for a nominal voltage that is no class, RuleError for a highest voltage above the 500 kV class.

    >>> system(220, None).highest_kV, system(None, 245).nominal_kV, system(138, None).nominal_kV
    (252.0, 220.0, 220.0)
    """
    mistakes = [
        Mistake(("voltage", key), "a number of kilovolts above 0", repr(value))
        for key, value in (("voltage_kV", voltage_kV), ("highest_kV", highest_kV))
        if value is not None and not is_positive(value)
    ]
    if voltage_kV is None and highest_kV is None:
        mistakes.append(
            Mistake(("voltage",), "voltage_kV (nominal) or highest_kV", "neither", "give one of them, in kV")
        )
    if voltage_kV is not None and highest_kV is not None and highest_kV < voltage_kV:
        mistakes.append(
            Mistake(("voltage", "highest_kV"), f"at least the nominal {voltage_kV:g} kV", f"{highest_kV:g} kV")
        )
    if mistakes:
        raise InputError(mistakes)
    by_name = None
    if voltage_kV is not None:
        by_name = float(voltage_kV) if voltage_kV in CLASSES else NEIGHBOURS.get(float(voltage_kV))
        if by_name is None and highest_kV is None:
            known = ", ".join(f"{kV:g}" for kV in sorted({*CLASSES, *NEIGHBOURS}))
            if voltage_kV > max(CLASSES):
                raise RuleError(f"{NAME}: the table ends at the 500 kV class and says nothing at {voltage_kV:g} kV")
            raise InputError(
                Mistake(
                    ("voltage", "voltage_kV"),
                    f"a nominal voltage of {known} kV",
                    f"{voltage_kV:g} kV",
                    "for another give highest_kV",
                )
            )
    by_highest = None
    if highest_kV is not None:
        by_highest = next((nominal for nominal, top in CLASSES.items() if highest_kV <= top), None)
        if by_highest is None:
            raise RuleError(
                f"{NAME}: the table ends at the 500 kV class (550 kV) and says nothing at {highest_kV:g} kV"
            )
    nominal = max(kV for kV in (by_name, by_highest) if kV is not None)
    highest = float(highest_kV) if highest_kV is not None else CLASSES[nominal]
    asked = f"nominal {voltage_kV:g} kV" if highest_kV is None else f"highest voltage {highest_kV:g} kV"
    return SystemVoltage(
        nominal, highest, f"{asked}: the {nominal:g} kV class (highest {CLASSES[nominal]:g} kV by GB/T 156)"
    )


def limit(case: Case) -> Limit:
    """The distance of the table.

    Raises RuleSilent between phases below 110 kV or with an object in the gap, and for a combined gap below 110 kV;
    RuleError above 1000 m and for a T without a basis.
    """
    overvoltage.refuse_direct_current(case, NAME)
    given = overvoltage.stated(case, NAME)
    nominal = case.voltage.nominal_kV
    assert nominal is not None
    _check_altitude(case)
    facts: list[Fact] = [FACT_CLASSES]
    if case.altitude_m > 0:
        facts.append(FACT_ALTITUDE)
    conditions = [
        "The rule gives the whole distance and no split: the whole is taken as electrical part, on the careful side."
    ]
    if case.exposure == "phase-phase":
        whole, words = (
            _cell(ADJACENT_PHASE, nominal, "the adjacent phase", 0.0),
            "worker at potential to the adjacent phase",
        )
        facts.append(FACT_ADJACENT)
        if case.gap == "object":
            raise RuleSilent(
                f"{NAME}: has no distance between phases with a conductive object in the gap: the employer must "
                "supply it",
                whole,
                whole,
            )
        conditions.append(
            "The rule does not tell an insulating tool between phases from air; its length is limited apart."
        )
    elif case.gap == "object":
        whole = _cell(COMBINED_GAP, nominal, "a combined gap", TO_LIVE[nominal])
        words = "combined gap, the sum of both gaps of a worker at neither potential"
        facts.append(FACT_COMBINED)
        conditions.append("The length of the worker or object between the two gaps does not count.")
    else:
        whole, words = _to_live(case, nominal, conditions), "person to live part, and worker at potential to earth"
        facts.append(FACT_330 if nominal == 330.0 else FACT_TO_LIVE)
    if nominal < 66.0:
        conditions.append(
            "Work at potential is not done at 10 kV, and at 35 kV only behind reliable insulating barriers."
        )
    numbers: dict[str, Value] = {
        "class_kV": nominal,
        "highest_kV": case.voltage.highest_kV,
        "table_m": whole,
        "altitude_m": case.altitude_m,
    }
    if given is not None:
        numbers |= given.inputs
        conditions.append(
            f"The table does not say for which overvoltage it holds; the T = {given.per_unit:g} given is not used."
        )
    steps = (case.voltage.basis, f"{words}: {whole:.1f} m")
    clause = "Table 8-1" if case.exposure == "phase-earth" and case.gap != "object" else "equipotential work"
    return Limit(
        case.exposure,
        case.gap,
        whole,
        whole,
        0.0,
        RuleReference(NAME, EDITION, clause),
        numbers,
        steps,
        tuple(conditions),
        unconfirmed(facts),
    )


def _to_live(case: Case, nominal: float, conditions: list[str]) -> float:
    """Table 8-1, with its two smaller values where their conditions are stated."""
    if nominal == 220.0 and text(case, "written_approval"):
        conditions.append(
            f"1.6 m instead of 1.8 m by written approval and with the measures it asks for: "
            f"{text(case, 'written_approval')}."
        )
        return APPROVED_220_M
    if nominal == 500.0 and case.inputs.get("compact_line") is False and case.altitude_m < 500.0:
        conditions.append("3.2 m instead of 3.4 m: below 500 m altitude, and not a compact line.")
        return LOW_ALTITUDE_500_M
    return TO_LIVE[nominal]


def _cell(table: dict[float, float], nominal: float, words: str, least_m: float) -> float:
    """A table's value, or silence that still knows the least the cell can be [m]."""
    if nominal not in table:
        raise RuleSilent(
            f"{NAME}: has no distance for {words} at {nominal:g} kV: the employer must supply it", least_m, least_m
        )
    return table[nominal]


def _check_altitude(case: Case) -> None:
    if not -500.0 <= case.altitude_m <= ALTITUDE_TOP_M:
        raise RuleError(
            f"{NAME}: the tables hold up to {ALTITUDE_TOP_M:g} m above sea level, not at {case.altitude_m:g} m, and "
            "nothing is extrapolated"
        )


def insulating_length(case: Case, what: What) -> InsulatingLength:
    """Least effective insulating length, metal parts deducted; RuleSilent for a string, which the rule counts in sound
    insulators."""
    overvoltage.refuse_direct_current(case, NAME)
    overvoltage.stated(case, NAME)
    _check_altitude(case)
    nominal = case.voltage.nominal_kV
    assert nominal is not None
    if what == "string":
        raise RuleSilent(
            f"{NAME}: gives no insulating length of a string but its number of sound insulators (Table 8-3)"
        )
    length = (ROD if what == "rod" else LOAD_BEARING)[nominal]
    return InsulatingLength(
        what,
        length,
        RuleReference(NAME, EDITION, "Table 8-2"),
        {"class_kV": nominal, "highest_kV": case.voltage.highest_kV, "altitude_m": case.altitude_m},
        (case.voltage.basis, f"least effective insulating length of a {what}: {length:.1f} m"),
        ("The length of metal parts is subtracted (read).",),
        unconfirmed((FACT_LENGTH, FACT_CLASSES, *((FACT_ALTITUDE,) if case.altitude_m > 0 else ()))),
    )


def sound_insulators(voltage: SystemVoltage) -> tuple[int, RuleReference]:
    """Least number of sound insulators in a string that is worked on; RuleSilent at 10 kV."""
    nominal = voltage.nominal_kV
    if nominal is None or nominal not in SOUND_INSULATORS:
        raise RuleSilent(f"{NAME}: gives no number of sound insulators at {nominal} kV")
    return SOUND_INSULATORS[nominal], RuleReference(NAME, EDITION, "Table 8-3")
