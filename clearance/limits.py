"""Owns which required distance a gap is compared with: the scene's rules asked for a pair of potentials and a kind of
limit.

Between two circuits the gap counts as phase to phase at full value whatever the letters. The limit is the larger of the
phase-to-phase limits of both, and of that for the two circuits in opposition, one of them at its overvoltage and the
other at its crest; the careful side of both is said in `Required.voltage`.

A wire that is taken off holds a trapped charge, and takes what its neighbours induce. Against every phase, its former
one included, its limit is that between phases, at the larger of 1.35 T + 0.45 and T + the trapped charge [per unit];
against earth that to earth, at the larger of T and the trapped charge. A circuit that is dead and not earthed is no
better off: it is taken so too, beside a higher voltage as that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from clearance import rules
from clearance.errors import InputError, Mistake, RuleError
from clearance.gaps import EARTH
from clearance.result import Kind
from clearance.rules import iec_61472, osha_equation
from clearance.rules.choose import find_all
from clearance.rules.inputs import COMMON
from clearance.rules.records import Exposure, RuleSilent
from clearance.scene.records import Circuit, SceneFile, phases, where
from clearance.scene.statements import earthed_circuits
from clearance.scene.voltages import DEAD, as_judged, highest_kV, rule_names

MEDIUM_VOLTAGE_KV = 72.5
"""[kV] Up to here the rules' tables take no overvoltage."""

MEDIUM_VOLTAGE_PER_UNIT = 3.5
"""[per unit] Overvoltage to earth taken for a circuit up to `MEDIUM_VOLTAGE_KV` that states none, in opposition to
another circuit: that of the worked examples of IEC 61472-2, read in the title of their tables."""


TRAPPED_PER_UNIT = 1.0
"""[per unit of the crest to earth] Charge that a phase holds which was opened at its crest and is not earthed, where
its opening did not restrike."""


@dataclass(frozen=True)
class Required:
    """A required distance, or why there is none.

    limit_m, electrical_m: [m], None where no rule gives them
    silent: why a rule of the scene has no value here; what is given is then only the least it can be, so a gap below it
        is a breach and one above it is undecided
    assumed_m: the whole limit at the overvoltage the rule assumes [m], None where that is what was taken or there is
        none
    rule: name, edition, clause, grade; voltage: what it was taken at; why: the refusal in full
    """

    limit_m: float | None
    electrical_m: float | None
    assumed_m: float | None
    rule: Mapping[str, str]
    voltage: str
    why: str = ""
    unconfirmed: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    silent: str = ""


def trapped_per_unit(scene: SceneFile, potential: str) -> float:
    """The charge that a wire which is taken off may hold [per unit of the crest to earth], or a phase that is dead and
    not earthed; 0 for any other."""
    circuit = phases(scene).get(potential)
    if circuit is not None:
        return TRAPPED_PER_UNIT if circuit.state == DEAD else 0.0
    return next(
        (wire.release.trapped_per_unit for wire in scene.wires if wire.name == potential and wire.release is not None),
        0.0,
    )


def inputs_of(scene: SceneFile, circuit: Circuit, stated: bool) -> dict[str, object]:
    inputs: dict[str, object] = dict(scene.rule_inputs)
    if stated and circuit.overvoltage_per_unit is not None:
        inputs["per_unit_basis"] = f"{circuit.overvoltage_basis} ({circuit.overvoltage_by})"
    return inputs


def _ask(
    scene: SceneFile,
    circuit: Circuit,
    exposure: rules.Exposure,
    kind: Kind,
    stated: bool,
    at: tuple[float, str] | None = None,
) -> rules.Limit:
    """at: an overvoltage that is worked out [per unit], and what it rests on, instead of the circuit's own"""
    taken, inputs = circuit.overvoltage_per_unit if stated else None, inputs_of(scene, circuit, stated)
    if at is not None:
        taken, inputs["per_unit_basis"] = at
    return rules.required(
        rule_names(scene),
        exposure,
        gap=kind,
        voltage_kV=circuit.nominal_kV,
        highest_kV=circuit.highest_kV,
        per_unit_overvoltage=taken,
        altitude_m=scene.altitude_m,
        inputs=inputs,
    )


def per_unit(scene: SceneFile, circuit: Circuit) -> float:
    """The circuit's maximum overvoltage to earth [per unit]: as stated, else what the rules assume.

    Raises `RuleError` where it is neither stated nor assumed.
    """
    if circuit.overvoltage_per_unit is not None:
        return circuit.overvoltage_per_unit
    return rules.assumed_overvoltage(rule_names(scene), highest_kV(scene, circuit))[0]


def _described(scene: SceneFile, circuit: Circuit) -> str:
    highest = f"{highest_kV(scene, circuit):g} kV"
    if circuit.overvoltage_per_unit is not None:
        return f"circuit {circuit.name}, highest {highest}, {circuit.overvoltage_per_unit:g} per unit"
    try:
        return f"circuit {circuit.name}, highest {highest}, {per_unit(scene, circuit):g} per unit as the rule assumes"
    except RuleError:
        return f"circuit {circuit.name}, highest {highest}"


def _between_circuits(
    scene: SceneFile, one: Circuit, other: Circuit, kind: Kind, stated: bool
) -> tuple[rules.Limit, str]:
    """The larger of both readings, as the module says, and how it was taken."""
    high, low = sorted((one, other), key=lambda circuit: highest_kV(scene, circuit), reverse=True)
    top, bottom = highest_kV(scene, high), highest_kV(scene, low)
    # The higher voltage needs more unless the other circuit's overvoltage is much the larger.
    full, governing = max(
        ((_ask(scene, circuit, "phase-phase", kind, stated), circuit) for circuit in (high, low)),
        key=lambda pair: pair[0].limit_m,
    )
    which = "higher of two circuits" if governing is high else "one of two circuits that needs more"
    said = f"phase to phase at the {which}: {_described(scene, governing)}"
    try:
        equivalent, basis = in_opposition(scene, high, low, stated)
    except RuleSilent:
        if "per_unit_overvoltage" in full.inputs:
            raise
        return full, f"{said}; the rule takes no overvoltage, so none of two circuits in opposition"
    opposed = _ask(scene, high, "phase-phase", kind, stated, (equivalent, basis))
    if opposed.limit_m > full.limit_m:
        said = f"circuits {high.name} ({top:g} kV) and {low.name} ({bottom:g} kV) in opposition, one at its overvoltage"
        return opposed, said
    return full, said


def in_opposition(scene: SceneFile, high: Circuit, low: Circuit, stated: bool) -> tuple[float, str]:
    """The overvoltage of the higher circuit [per unit] that stands for the two in opposition, with its basis.

    One of them is at T times its crest, the other at its crest. The phase-to-phase form of the rules takes
    1.35 T + 0.45 times the crest of one voltage (OSHA Table R-3, IEC 61472), so it is solved for the T that gives the
    sum. Raises `RuleSilent` where the rule takes no overvoltage.
    """
    taken = [_overvoltage(scene, circuit, stated) for circuit in (high, low)]
    equivalent = _opposed(taken[0], highest_kV(scene, high), taken[1], highest_kV(scene, low))
    return equivalent, f"circuits {high.name} and {low.name} in opposition, one at its overvoltage"


def _overvoltage(scene: SceneFile, circuit: Circuit, stated: bool) -> float:
    """The circuit's overvoltage to earth [per unit] as stated, or as assumed; raises `RuleSilent` for none."""
    if stated and circuit.overvoltage_per_unit is not None:
        return circuit.overvoltage_per_unit
    highest = highest_kV(scene, circuit)
    if highest <= MEDIUM_VOLTAGE_KV:
        return MEDIUM_VOLTAGE_PER_UNIT
    return rules.assumed_overvoltage(rule_names(scene), highest)[0]


def required_between(scene: SceneFile, circuit_of: Mapping[str, Circuit], one: str, other: str, kind: Kind) -> Required:
    """The distance two potentials must keep, for one kind of limit; `other` may be "earth".

    circuit_of: potential -> its circuit, for phases and for whatever is at a potential of its own
    """
    first = as_judged(scene, circuit_of[one])
    second = None if other == EARTH else as_judged(scene, circuit_of[other])

    trapped = trapped_per_unit(scene, one), 0.0 if second is None else trapped_per_unit(scene, other)

    def find(stated: bool) -> tuple[rules.Limit, str]:
        if second is None:
            plain = _ask(scene, first, "phase-earth", kind, stated), _described(scene, first)
        elif second.name != first.name:
            plain = _between_circuits(scene, first, second, kind, stated)
        else:
            plain = _ask(scene, first, "phase-phase", kind, stated), _described(scene, first)
        return _with_charge(scene, (first, second), trapped, kind, stated, plain) if any(trapped) else plain

    try:
        limit, voltage = find(stated=True)
    except RuleError as error:
        return _least_known(scene, error, " and ".join(dict.fromkeys(c.name for c in (first, second or first))))
    assumed = None
    if first.overvoltage_per_unit is not None or (second is not None and second.overvoltage_per_unit is not None):
        try:
            assumed = find(stated=False)[0].limit_m
        except RuleError:
            assumed = None
    return Required(
        limit.limit_m, limit.electrical_m, assumed, quoted(limit), voltage, "", limit.unconfirmed, limit.conditions
    )


def quoted(limit: rules.Limit | rules.InsulatingLength | rules.Transfer) -> dict[str, str]:
    """A rule as a result quotes it: with how the figure is known."""
    rule = limit.rule
    return {"name": rule.name, "edition": rule.edition, "clause": rule.clause, "grade": limit.grade}


def unnamed(scene: SceneFile) -> dict[str, str]:
    """What a result quotes where no rule of the scene has a figure."""
    return {"name": " + ".join(scene.rule), "edition": "", "clause": "", "grade": ""}


def _least_known(scene: SceneFile, error: RuleError, circuits: str) -> Required:
    """Why a rule has no value, with the least that the distance can be by what it and the others know."""
    electrical = getattr(error, "electrical_m", 0.0)
    whole = max(getattr(error, "limit_m", 0.0), electrical)
    others = getattr(error, "others", None)
    rule, unconfirmed = (unnamed(scene), ()) if others is None else (quoted(others), others.unconfirmed)
    why = str(error)
    voltage = f"circuit {circuits}"
    return Required(
        whole or None, electrical or None, None, rule, voltage, why, unconfirmed, silent=why if whole else ""
    )


def _with_charge(
    scene: SceneFile,
    circuits: tuple[Circuit, Circuit | None],
    trapped: tuple[float, float],
    kind: Kind,
    stated: bool,
    plain: tuple[rules.Limit, str],
) -> tuple[rules.Limit, str]:
    """The larger of a limit and that for a trapped charge at one of its ends or both [per unit each, 0 for none]."""
    try:
        circuit, per_unit, said = charged(scene, circuits, trapped, stated)
    except RuleSilent:
        # A table without overvoltages: what it gives between phases, or to earth, covers them all.
        return plain[0], f"{plain[1]}, with a trapped charge"
    exposure: Exposure = "phase-earth" if circuits[1] is None else "phase-phase"
    limit = _ask(scene, circuit, exposure, kind, stated, (per_unit, said))
    return (limit, f"{plain[1]}; {said}") if limit.limit_m > plain[0].limit_m else plain


def charged(
    scene: SceneFile, circuits: tuple[Circuit, Circuit | None], trapped: tuple[float, float], stated: bool
) -> tuple[Circuit, float, str]:
    """The circuit and its overvoltage [per unit] that stand for a trapped charge at one end or both, in words too.

    A phase is at most at its overvoltage while the charge stands at the other end; between two charges it is their sum.
    Raises `RuleSilent` where the rule takes no overvoltage.
    """
    one, other = circuits
    taken = [_overvoltage(scene, circuit, stated) for circuit in (one, other or one)]
    if other is None:
        return one, max(taken[0], *trapped), f"a trapped charge of {trapped[0]:g} per unit"
    circuit = max((one, other), key=lambda circuit: highest_kV(scene, circuit))
    crests = [highest_kV(scene, each) / highest_kV(scene, circuit) for each in (one, other)]
    ends = [(charge or full) * crest for charge, full, crest in zip(trapped, taken, crests, strict=True)]
    charges = " and ".join(f"{charge:g}" for charge in trapped if charge)
    said = f"a trapped charge of {charges} per unit, {sum(ends):g} in all"
    return circuit, max(*taken, (sum(ends) - 0.45) / 1.35), said


EQUATIONS = (osha_equation.NAME, iec_61472.NAME)
"""Rules that are an equation of the overvoltage: they know what any of them needs."""


@dataclass(frozen=True)
class ByEquation:
    """What an equation needs between two potentials, and whether it took the overvoltage: the tables up to 72.5 kV
    know none. said: the rule and the overvoltage in words."""

    electrical_m: float
    takes_overvoltage: bool
    said: str


def by_equation(
    scene: SceneFile, circuit_of: Mapping[str, Circuit], one: str, other: str, operating: bool
) -> ByEquation | None:
    """The electrical part for air by an equation: one of the scene's rules, else that of 29 CFR 1910.269; the largest
    of several.

    operating: at the highest operating voltage alone, T = 1; else at the overvoltage stated or assumed
    Returns None where no equation covers the voltage or the altitude.
    """
    first, second = circuit_of[one], None if other == EARTH else circuit_of[other]
    between_circuits = second is not None and second.name != first.name
    pair = sorted((first, second or first), key=lambda circuit: highest_kV(scene, circuit), reverse=True)
    top, bottom = (highest_kV(scene, circuit) for circuit in pair)
    try:
        taken = [1.0 if operating else _overvoltage(scene, circuit, stated=True) for circuit in pair]
    except RuleError:
        try:
            taken = [rules.assumed_overvoltage(EQUATIONS[0], top)[0]] * 2
        except RuleError:
            return None
    opposed = _opposed(taken[0], top, taken[1], bottom) if between_circuits else 0.0
    per_unit = max(*taken, opposed)
    found: list[ByEquation] = []
    own_first = [rule for rule in scene.rule if rule in EQUATIONS]
    for name in (*own_first, EQUATIONS[0]):
        if found and name not in own_first:
            break  # one of the scene's own answers; that of 29 CFR 1910.269 stands in where none does
        own = {spec.key for spec in find_all(name)[0].inputs} - {spec.key for spec in COMMON}
        inputs = {key: value for key, value in scene.rule_inputs.items() if key in own}
        try:
            limit = rules.required(
                name,
                "phase-earth" if second is None else "phase-phase",
                gap="air",
                voltage_kV=pair[0].nominal_kV,
                highest_kV=top,
                per_unit_overvoltage=per_unit,
                altitude_m=scene.altitude_m,
                inputs={**inputs, "per_unit_basis": "the check of the site"},
            )
        except (RuleError, InputError):
            continue
        takes = "per_unit_used" in limit.inputs
        said = f"{limit.rule.name}, {limit.rule.clause}" + (f", T = {per_unit:g}" if takes else "")
        found.append(ByEquation(limit.electrical_m, takes, said))
    return max(found, key=lambda need: need.electrical_m, default=None)


def _opposed(per_unit: float, top_kV: float, other: float, bottom_kV: float) -> float:
    """The overvoltage to earth whose phase-to-phase form, 1.35 T + 0.45, is that of two circuits in opposition, one at
    its overvoltage and the other at its crest; per unit of the higher voltage."""
    total = max(per_unit * top_kV + bottom_kV, other * bottom_kV + top_kV) / top_kV
    return max(1.0, (total - 0.45) / 1.35)


def refusals(scene: SceneFile) -> Iterator[Mistake]:
    """Circuits that a rule of the scene refuses: a voltage or an altitude outside its tables, an overvoltage without
    its basis. Where a rule is only silent the gap is undecided, and that is no mistake."""
    for circuit in scene.circuits:
        if circuit.name in earthed_circuits(scene):
            continue
        found: dict[str, Mistake] = {}
        for exposure in rules.EXPOSURES:
            for kind in rules.GAPS:
                try:
                    _ask(scene, circuit, exposure, kind, stated=True)
                except InputError as error:
                    for m in error.mistakes:
                        place = where(scene, circuit, *(part for part in m.where[1:2] if part not in ("voltage",)))
                        found.setdefault(m.found, Mistake(place, m.expected, m.found, m.remedy))
                except RuleSilent:
                    continue
                except RuleError as error:
                    place = where(scene, circuit, "nominal_kV")
                    found.setdefault(str(error), Mistake(place, "what the scene's rule covers", str(error).rstrip(".")))
        yield from found.values()
