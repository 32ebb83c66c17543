"""Owns the distances of the Chinese live-working rules (DL 409 and GB 26859 family): the rule "gb-26859".

The table gives whole distances and no split; so the whole is taken as the electrical part, which is the careful side.
A worker between phase and earth, at neither, makes a **combined gap** of two gaps in series: the limit for a
conductive object to earth. Between phases the rule has a distance of an equipotential worker from the adjacent phase,
and none for an object in that gap: that is the employer's, as an input with its document and a name. So is what the
employer read in its own copy where memory stands here; the larger of both is taken.

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
from clearance.rules import employer, overvoltage
from clearance.rules.inputs import InputSpec, text
from clearance.rules.records import (
    Case,
    Fact,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    SystemVoltage,
    Transfer,
    Value,
    What,
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

SUPPLIED = {
    "phase_phase_m": "worker at potential to the adjacent phase",
    "phase_phase_object_m": "between phases with a conductive object in the gap",
    "combined_gap_m": "combined gap of a worker at neither potential",
}
"""The cells that the rule has not, or that nobody read, and the employer's input for each."""

INPUTS: tuple[InputSpec, ...] = (
    InputSpec("written_approval", "text", "who approved 1.6 m at 220 kV in writing, and the measures taken"),
    InputSpec("compact_line", "flag", "false where the 500 kV line is known not to be a compact one"),
    *(
        InputSpec(key, "number", f"the employer's whole distance, {words} [m]", 0.0, 20.0)
        for key, words in SUPPLIED.items()
    ),
    *employer.INPUTS,
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
FACT_CLASSES = Fact("GB/T 156", "system voltages", "highest voltage of each class", "memory", "text not read", True)
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
    source = ""
    if case.exposure == "phase-phase":
        words = "worker at potential to the adjacent phase"
        own = FACT_ADJACENT if nominal in ADJACENT_PHASE else None
        what = f"distance to the adjacent phase at {nominal:g} kV"
        whole, fact, source = employer.larger(case, NAME, "phase_phase_m", ADJACENT_PHASE.get(nominal), what, own)
        _not_below("phase_phase_m", whole, TO_LIVE[nominal], "the distance of a person to the live part")
        if case.gap == "object":
            words = "between phases with a conductive object in the gap"
            whole, fact, source = _with_object(case, whole)
        else:
            conditions.append(
                "The rule does not tell an insulating tool between phases from air; its length is limited apart."
            )
        facts.append(fact)
    elif case.gap == "object":
        words = "combined gap, the sum of both gaps of a worker at neither potential"
        whole, fact, source = _combined(case, nominal)
        facts.append(fact)
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
    numbers |= employer.inputs_used(case, SUPPLIED)
    steps = (case.voltage.basis, f"{words}: {whole:g} m" + (f" ({source})" if source else ""))
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
        tuple(facts),
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


def _with_object(case: Case, adjacent_m: float) -> tuple[float, Fact, str]:
    """Between phases with an object in the gap: the employer's, of at least the distance to the adjacent phase."""
    key = "phase_phase_object_m"
    if key not in case.inputs:
        raise RuleSilent(
            f"{NAME}: has no distance between phases with a conductive object in the gap: supply the employer's "
            f"({key}), {employer.SUPPLY}",
            adjacent_m,
            adjacent_m,
        )
    whole, fact, source = employer.larger(case, NAME, key, None, SUPPLIED[key], None)
    _not_below(key, whole, adjacent_m, "the distance to the adjacent phase")
    return whole, fact, source


def _combined(case: Case, nominal: float) -> tuple[float, Fact, str]:
    """The combined gap, of the rule or of the employer, the larger."""
    key, least = "combined_gap_m", TO_LIVE[nominal]
    if nominal not in COMBINED_GAP and key not in case.inputs:
        raise RuleSilent(
            f"{NAME}: has no distance for a combined gap at {nominal:g} kV: supply the employer's ({key}), "
            f"{employer.SUPPLY}",
            least,
            least,
        )
    own = FACT_COMBINED if nominal in COMBINED_GAP else None
    whole, fact, source = employer.larger(case, NAME, key, COMBINED_GAP.get(nominal), SUPPLIED[key], own)
    _not_below(key, whole, least, "the distance of a person to the live part")
    return whole, fact, source


def _not_below(key: str, given_m: float, least_m: float, of_what: str) -> None:
    """Refuse an employer's figure for a gap that is below the same gap with less in it."""
    if given_m < least_m:
        raise RuleError(
            f"{NAME}: {key} = {given_m:g} m is below {least_m:g} m, {of_what}: the employer's figure for this cell "
            "cannot be smaller"
        )


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
    key = employer.LENGTHS[what]
    employer.refuse_between_phases(case, NAME, what)
    if what == "string":
        if key in case.inputs:
            return employer.length(case, NAME, RuleReference(NAME, EDITION, "the employer's"), what, TO_LIVE[nominal])
        raise RuleSilent(
            f"{NAME}: gives no insulating length of a string but its number of sound insulators (Table 8-3)"
        )
    own = (ROD if what == "rod" else LOAD_BEARING)[nominal]
    length, fact, source = employer.larger(case, NAME, key, own, f"insulating length of a {what}", FACT_LENGTH)
    return InsulatingLength(
        what,
        length,
        RuleReference(NAME, EDITION, "Table 8-2"),
        {
            "class_kV": nominal,
            "highest_kV": case.voltage.highest_kV,
            "altitude_m": case.altitude_m,
            **employer.inputs_used(case, (key,)),
        },
        (
            case.voltage.basis,
            f"least effective insulating length of a {what}: {length:g} m" + (f" ({source})" if source else ""),
        ),
        ("The length of metal parts is subtracted (read).",),
        (fact, FACT_CLASSES, *((FACT_ALTITUDE,) if case.altitude_m > 0 else ())),
    )


def transfer(highest_kV: float) -> Transfer:
    """Least distance of a bare body at potential transfer. Raises RuleError above the 500 kV class (550 kV)."""
    if not 0.0 < highest_kV <= TRANSFER[-1][0]:
        raise RuleError(
            f"no transfer distance is known for {highest_kV:g} kV: the figures end at the 500 kV class; supply the "
            "employer's by a company table (key transfer_m)"
        )
    distance = next(distance for top, distance in TRANSFER if highest_kV <= top)
    return Transfer(distance, RuleReference(NAME, EDITION, "equipotential work"), (FACT_TRANSFER,))


def sound_insulators(voltage: SystemVoltage) -> tuple[int, RuleReference]:
    """Least number of sound insulators in a string that is worked on; RuleSilent at 10 kV."""
    nominal = voltage.nominal_kV
    if nominal is None or nominal not in SOUND_INSULATORS:
        raise RuleSilent(f"{NAME}: gives no number of sound insulators at {nominal} kV")
    return SOUND_INSULATORS[nominal], RuleReference(NAME, EDITION, "Table 8-3")
