"""Owns what a briefing says in sentences: ranges, conditions, when to stop, tests, what was assumed, what to check.

Every sentence comes from the scene and the ranges that were proved; nothing is reckoned here but the rungs.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from clearance.errors import RuleError
from clearance.job.carried import left_in
from clearance.permitted import Permitted, rungs
from clearance.report.briefing_people import where_words
from clearance.report.numbers import exact, up
from clearance.result import StageResult
from clearance.rules import transfer_distance
from clearance.rules.jurisdiction import wind_clauses
from clearance.scene import statements
from clearance.scene.records import AT_FOOT, Range, Scene, Stage, aloft, phases
from clearance.scene.records_statements import HeldTail, Insulating
from clearance.scene.voltages import highest_kV, rule_names

MOST_WIND_M_S: Final = 10.0
"""[m/s] No live work above this wind, whatever was swept: GB 26859 family, force 5; from memory."""


def paragraph(scene: Scene, stages: tuple[StageResult, ...]) -> str:
    """The job in a paragraph."""
    circuits = "; ".join(
        f"circuit {c.name}, phases {', '.join(c.phases)}, {c.nominal_kV:g} kV, {c.state}" for c in scene.circuits
    )
    who = ", ".join(worker.name for worker in scene.workers) or "nobody"
    ground = ", ".join(person.name for person in scene.crew) or "nobody named"
    worked = list(dict.fromkeys(phase for stage in scene.stages for phase in stage.bonded.values()))
    taken = list(dict.fromkeys(name for stage in scene.stages for name in stage.released))
    way = {"boom": ", from an insulating aerial device", "ladder": ", from an insulating ladder"}.get(means(scene), "")
    words = f"Live-line bare-hand work on {circuits}{way}"
    if scene.ladder is not None:
        words += f" of {scene.ladder.length_m:g} m"
        words += f" that hangs on {scene.ladder.hangs_on}" if scene.ladder.hangs_on is not None else ""
    words += f". Aloft: {who}; on the ground: {ground}. {len(stages)} stage{'' if len(stages) == 1 else 's'}"
    words += f"; bonded in turn to phase {', then '.join(worked)}" if worked else ""
    words += f"; taken off or put back: {', '.join(taken)}" if taken else ""
    return words + "."


def means(scene: Scene) -> str:
    """What people get aloft by: a ladder, else the boom of an aerial device, else nothing."""
    return "ladder" if scene.ladder is not None else "boom" if scene.aerial_device is not None else ""


def _and(scene: Scene, before: str, after: str) -> str:
    """What people get aloft by with words before and after; nothing where they do not."""
    held = means(scene)
    return f"{before}{held}{after}" if held else ""


def _between(span: Range, unit: str) -> str:
    if span.lo == span.hi:
        return f"at {exact(span.lo)}{unit}"
    return f"between {exact(span.lo)}{unit} and {exact(span.hi)}{unit}"


def _lean(span: Range) -> str:
    return f"±{exact(span.hi)}°" if span.lo == -span.hi and span.hi > 0 else _between(span, "°")


def range_sentences(scene: Scene, stage: Stage) -> Iterator[str]:
    """The permitted ranges in words; every number in them was swept as it stands."""
    spacing = scene.ladder.rung_spacing_m if scene.ladder is not None else None
    if stage.travel_m is not None:
        moves = stage.kind == "travel" and stage.travel_m.hi - stage.travel_m.lo > 0.5
        hung = scene.ladder.hangs_on if scene.ladder is not None else None
        what = f"Ladder {'moves' if moves else 'stands' if hung is None else 'hangs'}"
        along = "the track" if hung is None else hung
        yield f"{what} {_between(stage.travel_m, ' m')} (stations along {along})."
    if stage.climb_m is not None and aloft(scene, stage):
        rung = rungs(stage.climb_m, spacing) if spacing else None
        words = f"Feet {_between(stage.climb_m, ' m')} up the ladder"
        if rung is not None:
            words += f", rung {rung[0]}" if rung[0] == rung[1] else f", rungs {rung[0]} to {rung[1]}"
        high = f"not above {f'rung {rung[1]}' if rung else exact(stage.climb_m.hi) + ' m'}"
        if stage.kind in ("climb", "descend", *AT_FOOT):
            words += f"; {high} while not bonded"
        yield f"{words}."
    if stage.travel_m is not None:
        along, across = (_lean(span) for span in (stage.lean_along_deg, stage.lean_across_deg))
        leans = "leans" if hung is None else "swings"
        yield f"Ladder {leans} {along} along its heading, {across} across it."
        if scene.track is not None and scene.track.settlement_m > 0:
            yield f"Neither foot sinks by more than {exact(scene.track.settlement_m)} m."
    if stage.turret_deg is not None and stage.boom_deg is not None and stage.extend_m is not None:
        yield f"Boom points {_between(stage.turret_deg, '°')} (anticlockwise from x)."
        yield f"Boom raised {_between(stage.boom_deg, '°')} above the horizontal."
        yield f"Tip {_between(stage.extend_m, ' m')} beyond the metal boom."
    if stage.heading_deg != Range(0.0, 0.0):
        yield f"Ladder turned {_between(stage.heading_deg, '°')}."
    if stage.lower_m is not None and stage.released:
        # To the millimetre: the way is counted along the ropes, and computed where a template has it.
        gone = Range(round(stage.lower_m.lo, 3), round(stage.lower_m.hi, 3))
        yield f"Free end of {', '.join(stage.released)} {_between(gone, ' m')} of its way."
    if stage.hauled is not None:
        line = next(tool.line for tool in scene.tools if tool.name == stage.hauled)
        way = "all the way" if stage.haul_m is None else f"{_between(stage.haul_m, ' m')} up it"
        yield f"{stage.hauled} is hauled along {line}, {way}."
    for name, span in left_in(stage):
        line = next(tool.line for tool in scene.tools if tool.name == name)
        place = "anywhere on it" if span is None else f"{_between(span, ' m')} up it"
        yield f"{name} stays where it was left on {line}, {place}."
    if stage.swing_m > 0:
        yield f"Swing of no more than {exact(stage.swing_m)} m to any side."


def stage_conditions(scene: Scene, stage: Stage) -> Iterator[str]:
    """What must be so in a stage besides its ranges."""
    if stage.rescue is not None:
        yield f"A step of a rescue, should it be needed in stage {stage.rescue}."
    if stage.bodies:
        yield f"{'Brought' if stage.kind == 'bring' else 'Taken away'}: {', '.join(stage.bodies)}."
    if stage.restores:
        yield f"Put right in this stage: {', '.join(stage.restores)}."
    for name, phase in stage.bonded.items():
        words = f"{name} is bonded to phase {phase}"
        if stage.kind == "bond on":
            words = f"{name} bonds to phase {phase}: the clamp goes on first, at arm's length, and at once"
            words += _arc_zone(scene, phase)
        elif stage.kind == "bond off":
            words = f"{name} unbonds from phase {phase}: the clamp comes off last"
        words += f"; lead of {exact(stage.bonding_lead_m)} m" if stage.bonding_lead_m is not None else ""
        clamp = stage.clamp_m
        if clamp is not None:
            words += f", clamp at {clamp if not isinstance(clamp, tuple) else ', '.join(exact(v) for v in clamp)}"
        yield f"{words}."
    loose = [name for name in aloft(scene, stage) if name not in stage.bonded]
    if loose and stage.kind not in AT_FOOT:
        yield f"{', '.join(loose)} touches nothing but the {'ladder' if stage.extend_m is None else 'platform'}."
    if stage.kind in ("work", "open", "lower", "raise", "close") and not aloft(scene, stage):
        yield "Nobody is aloft."
    if stage.opening_distance_m is not None:
        yield from _opening(stage, stage.opening_distance_m)
    for wire in scene.wires:
        if wire.name in stage.released and wire.release is not None and wire.release.drop_zone_m is not None:
            near = exact(wire.release.drop_zone_m)
            yield f"Nobody on the ground below where {wire.name} may be, as drawn, nor within {near} m of that."
    if stage.released:
        for wire in scene.wires:
            if wire.name in stage.released and wire.release is not None:
                if wire.release.drop_zone_m is None:
                    yield f"Nobody below where {wire.name} may be, as drawn on the plan."
                for entry in statements.held(scene, wire.name):
                    if not entry.parked:
                        yield f"What holds {wire.name}: {entry.basis}{_held(entry)}."
                    elif stage.kind in ("lower", "raise"):
                        yield f"What holds {wire.name} while it is parked: {entry.basis}{_held(entry)}."
    if stage.off:
        yield from _parked(stage)
    for spot in stage.stands:
        yield f"{spot.who} goes to {where_words(spot)}, and stays there until a stage says otherwise."
    if stage.rope_m is not None:
        yield f"Rope that lowers the casualty: insulating for {exact(stage.rope_m)} m, down to the hands that hold it."
    if stage.rescue is not None and stage.stick_m is not None:
        yield f"The clamp comes off with a remote tool, insulating for {exact(stage.stick_m)} m beyond the hands."
    if stage.earths or stage.lifts_earth:
        place = {"ladder": "ladder", "boom": "platform"}.get(means(scene), "")
        aloft_too = "" if aloft(scene, stage) or not place else f"; nobody on the {place}"
        yield f"Remote tool, insulating for {exact(stage.stick_m or 0.0)} m beyond the hands{aloft_too}."
    # Whoever is aloft is told of as the worker.
    if away := statements.absent(scene, stage).difference(statements.climbing(scene, stage)):
        yield f"Not there in this stage: {', '.join(sorted(away))}."
    if stage.rides is not None:
        yield f"The ladder travels with a person on it: {stage.rides}."


def _parked(stage: Stage) -> Iterator[str]:
    """What hangs parked, and what of it is earthed; what is not is kept off as a phase is."""
    earthed = [name for name in stage.off if stage.potentials.get(name) == "earth"]
    yield f"Lowered and parked: {', '.join(stage.off)}" + (f"; earthed: {', '.join(earthed)}." if earthed else ".")
    charged = [name for name in stage.off if name not in earthed]
    if charged:
        until = {*stage.earths, *stage.lifts_earth} & {*charged}
        words = "before the earth is on, and once it is off" if until else "it is not earthed"
        yield f"Keep off {', '.join(charged)} as off a phase: {words}."


def _held(entry: HeldTail) -> str:
    """What a restraint of a tail allows."""
    if entry.sideways_m is not None:
        return f": no point of it further than {exact(entry.sideways_m)} m beside the plane through its ends"
    if entry.within_m is not None:
        return f": whichever of them fails, no point of it moves further than {exact(entry.within_m)} m"
    return f", {exact(entry.length_m or 0.0)} m at most"


def _arc_zone(scene: Scene, phase: str) -> str:
    """How near the conductor an unbonded body becomes charged, where a figure is known."""
    try:
        transfer = transfer_distance(rule_names(scene), highest_kV(scene, phases(scene)[phase]))
    except RuleError:
        return ""
    return f" (nearer than {up(transfer.distance_m)} m an unbonded body takes an arc)"


def _ice(scene: Scene) -> str:
    """How much ice on the conductors ends the work: more than was swept."""
    weather = scene.weather
    if weather is not None and weather.ice_weight_N_m is not None:
        return f"Ice on a conductor of more than {weather.ice_weight_N_m.hi:g} N a metre."
    thick = [wire.ice_m.hi for wire in scene.wires if wire.ice_m is not None]
    most = min([weather.ice_m.hi if weather is not None else 0.0, *thick])
    return f"Ice on a conductor thicker than {most * 1e3:g} mm." if most > 0 else "Ice on a conductor: none was swept."


def stop_conditions(scene: Scene) -> Iterator[str]:
    """When to stop: each ends the work until the person in charge starts it again."""
    weather = getattr(scene, "weather", None)
    if weather is None:
        yield (
            f"Wind that moves the conductors{_and(scene, ' or the ', '')}, and in any case wind over "
            f"{MOST_WIND_M_S:g} m/s: no wind was swept, the conductors were taken at rest."
        )
        yield "Air or conductors so much warmer or colder than when surveyed that a gap of section 6 is off."
    else:
        yield f"Wind over {min(weather.wind_m_s.hi, MOST_WIND_M_S):g} m/s (swept up to {weather.wind_m_s.hi:g} m/s)."
        yield f"Air temperature outside {weather.air_C.lo:g} °C to {weather.air_C.hi:g} °C."
        yield _ice(scene)
    for clause in wind_clauses(scene.rule):
        yield f"Wind, whatever its speed, that brings a gap below its required distance. {clause}."
    yield "Thunder heard or lightning seen, however far."
    yield f"Rain, snow, fog, or frost or dew on {_and(scene, 'the ', ', ')}ropes or insulators."
    yield "Relative humidity over 80 %."
    yield "An arrester or protective gap that the overvoltage rests on out of service."
    yield "Switching on this line or on anything that feeds it."
    for circuit in scene.circuits:
        if circuit.overvoltage_basis:
            yield f"Circuit {circuit.name}: any of this no longer true: {circuit.overvoltage_basis}."
    yield "Automatic reclosing found not blocked, or the block lost."
    yield "A gap measured on site outside what section 6 gives."
    damaged = f"A {_and(scene, '', ', ')}rope, suit, lead or tool found damaged, wet or dirty"
    yield f"{damaged}; any tingling or discharge on a person."


def recorded_tests(scene: Scene) -> Iterator[dict[str, str]]:
    """Tests of suit, bonding lead, ropes and ladder: those recorded, and lines to fill in for those that are not."""
    recorded = {test.what for test in scene.tests}
    for test in scene.tests:
        leakage = "" if test.leakage_uA is None else f"; {test.leakage_uA:g} µA at {test.at_kV or 0:g} kV to earth"
        yield {"what": f"{test.what}: {test.name}", "result": f"{test.result}{leakage}", "by": f"{test.by}, {test.on}"}
    device = scene.aerial_device
    if device is not None and "aerial device" not in recorded:
        yield {"what": f"aerial device: {device.name}", "result": device.insulation_basis or "", "by": ""}
    if scene.ladder is not None and "ladder" not in recorded:
        yield {"what": f"ladder: {scene.ladder.name}", "result": scene.ladder.insulation_basis or "", "by": ""}
    ropes = {rope.name for rope in scene.ropes}
    ropes |= {rope.name for wire in scene.wires if wire.release is not None for rope in wire.release.ropes}
    tested = [entry for entry in scene.statements if isinstance(entry, Insulating) and entry.body in ropes]
    for entry in tested:
        yield {"what": f"rope: {entry.body}", "result": entry.basis, "by": f"{entry.by}, {entry.on}"}
    for what in ("suit", "bonding lead", "rope", "remote tool"):
        needed = what not in recorded and not (what == "rope" and tested)
        if needed and (what != "remote tool" or any(stage.stick_m for stage in scene.stages)):
            yield {"what": what, "result": "", "by": ""}


def _opening(stage: Stage, distance_m: float) -> Iterator[str]:
    """How a connection opens or closes, who holds it, and how far it goes without a stop."""
    wire, way = ", ".join(stage.released), exact(round(stage.lower_m.hi if stage.lower_m is not None else 0.0, 3))
    how = "by stick or rope" if stage.by_hand is None else f"by hand, by {stage.by_hand}"
    if stage.kind == "open":
        yield f"{wire} opens {how}: from its place it goes {way} m, and nobody stops it on this way."
    else:
        yield f"{wire} closes {how}: over the last {way} m it goes to its place without a stop."
    others = "Everybody" if stage.by_hand is None else "Everybody else"
    yield f"{others} keeps {exact(distance_m)} m from where it {stage.kind}s; nobody bridges its two ends."


def assumed(scene: Scene) -> Iterator[tuple[str, str]]:
    """What the verdict takes as true on somebody's word: what, and whose."""
    for circuit in scene.circuits:
        if circuit.overvoltage_per_unit is not None:
            words = f"{circuit.name}: overvoltage at most {circuit.overvoltage_per_unit:g} per unit"
            yield f"{words}, {circuit.overvoltage_basis}", circuit.overvoltage_by or ""
        if circuit.highest_basis:
            yield f"{circuit.name}: highest voltage {circuit.highest_kV:g} kV, {circuit.highest_basis}", ""
    for wire in scene.wires:
        release = wire.release
        if release is None:
            continue
        if release.before_opening is not None:
            before = release.before_opening
            measured = "" if before.current_A is None else f", {before.current_A * 1e3:.2g} mA measured"
            yield (
                f"{wire.name}: far end {before.far_end}{measured}, phase identified: {before.phase_identified}",
                before.by,
            )
    for stage in scene.stages:
        if stage.rides is not None:
            yield f"{stage.name}: the ladder travels with a person on it", stage.rides
    disturbed = dict.fromkeys((d.wire, d.movement_m, d.basis or "no basis") for s in scene.stages for d in s.disturbed)
    for wire_name, movement_m, basis in disturbed:
        if movement_m is not None:
            yield f"{wire_name} moves by at most {movement_m:g} m while it is worked on: {basis}", ""
    for stage in scene.stages:
        for moved in stage.disturbed:
            for load in (*moved.carries, *moved.puts_on):
                yield f"{stage.name}: {load.what}, {load.weight_kN:.3f} kN, hangs on {moved.wire}: {load.basis}", ""


def checks(scene: Scene) -> Iterator[str]:
    """Boxes to tick before anybody climbs."""
    yield "This briefing was read aloud to everybody; each said back own place, own task and when to stop."
    yield "Scene digest on this page compared with that of the checked scene."
    yield "The person in charge spoke with whoever operates the line; automatic reclosing is blocked, and stays so."
    for circuit in scene.circuits:
        if circuit.overvoltage_basis:
            yield f"Circuit {circuit.name}: {circuit.overvoltage_basis}: confirmed today."
    yield "Weather looked at now and forecast for the whole of the work; wind and humidity measured at the site."
    if scene.track is not None:
        yield "Track laid, levelled and marked with its stations; ladder feet and track do not settle under load."
    if scene.ladder is not None and scene.ladder.hangs_on is not None:
        yield f"Hooks of the ladder closed about {scene.ladder.hangs_on}, and tried with the weight of a person."
    if scene.aerial_device is not None:
        name = scene.aerial_device.name
        yield f"{name}: on its feet and level, chassis earthed, controls and lowering tried without anybody on it."
        yield (
            f"{name}: leakage of its boom measured at the work, worker bonded to the liner of the platform: at most "
            "1 µA per kV of nominal voltage to earth (29 CFR 1910.269(q)(3)(xiii)(B))."
        )
    kept = f"{_and(scene, '', ', ')}ropes and sticks clean, dry and in date; looked over along their whole length."
    yield kept[:1].upper() + kept[1:]
    yield "Suit, gloves, socks, hood and bonding lead joined up and measured."
    yield "The three gaps of section 6 measured with an insulating stick, and inside what is given."
    for wire in scene.wires:
        if wire.release is not None:
            yield f"{wire.name}: far end open and locked, phase identified by two people, no current but its charging."
    yield "A dedicated observer is named below: no other task, sees worker and crew, can stop the work by one word."
    if means(scene):
        place = "ladder" if means(scene) == "ladder" else "platform"
        yield f"Rescue from the {place} gone through; who does what is named."


def cautions(scene: Scene, stages: tuple[Permitted, ...]) -> Iterator[str]:
    """What the crew must bear in mind throughout."""
    yield "If the line goes dead, treat it as live. Nobody re-energizes it without speaking to the person in charge."
    yield "A named dedicated observer watches throughout. When the observer calls stop, everybody stops."
    yield "Ranges hold jointly, each with all others of its stage. Outside any one of them nothing is proved."
    if means(scene):
        apart = "the ladder above its foot" if means(scene) == "ladder" else "the aerial device"
        yield f"While somebody is bonded nobody on the ground touches {apart}, or a conductor taken off."
    if any(one.stage.released for one in stages):
        yield "A conductor taken off keeps a charge until it is earthed by a remote tool: keep off it as off a phase."
        yield "Nobody stands where a conductor that hangs opened or is lowered may fall; the plan shows where."
    if any(one.stage.swing_m for one in stages):
        yield "One who hangs in the harness is lowered, never lifted past the conductor."
