"""Owns what is judged beside the combined gaps: how near an unbonded worker comes, what moving bodies run into, and
whether a bond is within reach."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from clearance import rules, shapes
from clearance.bodies import Body, worker
from clearance.engine import Group, Path, compile_setting
from clearance.errors import Mistake, RuleError, at_least
from clearance.gaps import EARTH
from clearance.job import opening, parting, rig, staging, standing, whip
from clearance.job.known import alone
from clearance.job.measuring import Bench, Piece, measure_of
from clearance.job.setting import Setting, moves
from clearance.limits import quoted
from clearance.result import Approach, Collision, Measure, worst
from clearance.scene import records, statements
from clearance.scene.assemble import Site, place, strays_m
from clearance.scene.records import Stage, where
from clearance.scene.voltages import as_judged, highest_kV, rule_names
from clearance.tolerances import APART_M


def _unbonded(stage: Stage, site: Site) -> Iterator[str]:
    for name in records.aloft(site.scene, stage):
        if name not in stage.bonded:
            yield name


def approaches(bench: Bench, stage: Stage, posture: Sequence[Piece], reach: Sequence[Piece]) -> Iterator[Approach]:
    """How near a worker comes who is not bonded, or not yet.

    Only in a bonding or unbonding stage may an unbonded worker come nearer to a phase than the transfer distance plus
    the ergonomic part, and only when mounting so near to earth; while bonding, earthed bodies are out of reach
    throughout.
    """
    site = bench.site
    bonding = stage.kind in ("bond on", "bond off")
    aloft = list(records.aloft(site.scene, stage)) if bonding else list(_unbonded(stage, site))
    for name in aloft:
        if bonding:
            phase = stage.bonded.get(name)
            yield from _approach(bench, stage, reach, name, [EARTH], with_ergonomic=False, bonded=phase)
        else:
            near = [*site.live] if stage.kind in records.AT_FOOT else [*site.live, EARTH]
            yield from _approach(bench, stage, posture, name, near, with_ergonomic=True)
    for name, point, distance in opening.kept_away(site, stage):
        path = (Path((Group((name,)), Group((point,)))),)
        measures = [measure_of(bench, piece, path, distance, "as stated") for piece in posture]
        if measures:
            least = min(measures, key=lambda m: m.gap_lower_m)
            yield Approach(name, point, replace(least, verdict=worst([m.verdict for m in measures])))
    yield from parting.reached(bench, stage, posture)
    yield from opening.drop_zones(site, stage)
    yield from whip.whip_approaches(bench, stage, reach or posture)


def _approach(
    bench: Bench,
    stage: Stage,
    pieces: Sequence[Piece],
    name: str,
    potentials: Sequence[str],
    with_ergonomic: bool,
    bonded: str | None = None,
) -> Iterator[Approach]:
    for potential in potentials:
        required, why, transfer = _transfer(bench, potential, with_ergonomic)
        measures = []
        for piece in pieces:
            bodies = piece.compiled.setting.bodies
            one = (name, *rig.stood_on(bench.site, stage, bodies))
            others = tuple(
                body.name
                for body in bodies
                if body.conductive
                and body.name not in one
                and len(body.shape)
                and (body.potential == potential or potential in (state for _, state in body.states))
                # What the worker bonds to is touched on purpose, whatever else it might be at.
                and (bonded is None or body.potential != bonded)
            )
            if others:
                path = Path((Group(one), Group(others)))
                measures.append(replace(measure_of(bench, piece, (path,), required, "as stated"), why=why))
        if measures:
            verdict = worst([measure.verdict for measure in measures])
            least = min(measures, key=lambda m: (m.gap_upper_m, m.gap_lower_m))
            lower = min(measure.gap_lower_m for measure in measures)
            told = replace(least, verdict=verdict, gap_lower_m=lower)
            if transfer is None:
                yield Approach(name, potential, told)
            else:
                yield Approach(name, potential, told, quoted(transfer), beside=not transfer.own)


def _transfer(bench: Bench, potential: str, with_ergonomic: bool) -> tuple[float | None, str, rules.Transfer | None]:
    """The transfer distance to a potential [m], with the ergonomic part of its limit or without, and where it is from;
    to earth the largest of all circuits that are live."""
    scene = bench.site.scene
    live = bench.site.live if potential == EARTH else (potential,)
    found: list[tuple[float, str, rules.Transfer]] = []
    for one in live:
        try:
            transfer = rules.transfer_distance(
                rule_names(scene), highest_kV(scene, as_judged(scene, bench.site.circuit_of[one]))
            )
        except RuleError as error:
            return None, str(error), None
        distance = transfer.distance_m
        if with_ergonomic:
            required = bench.limit(one, EARTH, "tool")
            if required.why or required.limit_m is None or required.electrical_m is None:
                return None, f"the ergonomic part is not known: {required.why}", transfer
            distance += required.limit_m - required.electrical_m
        found.append((distance, str(transfer), transfer))
    return max(found, key=lambda one: one[:2], default=(None, "no circuit is live", None))


def collisions(bench: Bench, pieces: Sequence[Piece]) -> Iterator[Collision]:
    """What moves touches nothing unless the stage says so: every moving body against all it is not meant to touch."""
    found: dict[str, list[Measure]] = {}
    for piece in pieces:
        setting = piece.compiled.setting
        for body in setting.bodies:
            if not moves(body) or body.kind in (staging.HULL, "lead") or len(body.shape) == 0:
                continue
            others = tuple(
                other.name
                for other in setting.bodies
                if other.name != body.name
                and other.kind not in (staging.HULL, "lead")
                and len(other.shape)
                and frozenset((body.name, other.name)) not in setting.touching
            )
            path = Path((Group((body.name,)), Group(others)))
            measure = measure_of(bench, piece, (path,), APART_M, "as stated")
            found.setdefault(body.name, []).append(measure)
    for name, measures in found.items():
        verdict = worst([m.verdict for m in measures])
        least = min(measures, key=lambda m: (m.gap_upper_m, m.gap_lower_m))
        yield Collision(name, replace(least, verdict=verdict, gap_lower_m=min(m.gap_lower_m for m in measures)))


def unreachable_bonds(bench: Bench, stage: Stage, settings: Sequence[Setting]) -> Iterator[Mistake]:
    """A bond to something the worker cannot reach anywhere in the stage is a mistake of the scene."""
    reach = [setting for setting in settings if setting.check == "reach"]
    for name, phase in stage.bonded.items():
        nearest = float("inf")
        for setting in reach:
            others = tuple(
                body.name
                for body in setting.bodies
                if body.conductive
                and body.potential == phase
                and len(body.shape)
                # A wire that the stage disturbs counts as the job's, and is still the line's to reach.
                and (not body.job or (body.kind == "wire" and body.name not in stage.released))
            )
            if others and any(body.name == name for body in setting.bodies):
                path = Path((Group((name,)), Group(others)))
                compiled = compile_setting(bench.engine, setting)
                if bench.sweep(compiled, (path,), tolerance_m=bench.tolerance_m, target_m=1e-9).outcome == "passed":
                    nearest = 0.0
                    break
                nearest = min(nearest, bench.sweep(compiled, (path,), tolerance_m=bench.tolerance_m).lower_m)
        # Once the clamp is on, what must reach is the lead, not the hand.
        lead = 0.0 if stage.kind in ("bond on", "bond off") else stage.bonding_lead_m or 0.0
        if reach and nearest > lead:
            against = statements.against_bond(bench.site.scene, stage, name, phase)
            if against is not None:
                said = f"{statements.where_said(bench.site.scene, against)[-1]}: {statements.takes_away(against)}"
                expected = f"nothing stated against the bond of '{name}' to phase {phase}"
                remedy = "mend the statement, or leave out the bond"
                yield Mistake((*where(bench.site.scene, stage), f"bonded.{name}"), expected, said, remedy)
                continue
            found = f"the nearest {nearest:.2f} m beyond the reach envelope" if nearest < float("inf") else "none"
            yield Mistake(
                (*where(bench.site.scene, stage), f"bonded.{name}"),
                f"a conductor of phase {phase} within reach",
                found,
                "move the ladder, climb higher, or bond to another phase",
            )


def short_leads(bench: Bench, stage: Stage, settings: Sequence[Setting]) -> Iterator[Mistake]:
    """A bonding lead that reaches its clamp from the belt nowhere in the stage is a mistake of the scene.

    Where it reaches at some positions and not at others, the lead itself holds the worker to those at which it does.
    """
    site = bench.site
    if stage.bonding_lead_m is None or stage.clamp_m is None:
        return
    clamp_at = place(site, stage, stage.clamp_m)
    clamp = Body("clamp", "end", shapes.points([clamp_at], uncertainty=strays_m(site, stage.clamp_m, clamp_at)))
    for person in site.scene.workers:
        setting = next((one for one in settings if any(body.name == person.name for body in one.bodies)), None)
        if person.name not in stage.bonded or setting is None:
            continue
        point, around = worker.belt(standing.build_of(person), person.trunk_lean_m)
        belt = Body("belt", "end", shapes.points([point], uncertainty=around), link="worker")
        path = Path((Group((belt.name,)), Group((clamp.name,))))
        found = alone(replace(setting, rated={}), (belt, clamp), (path,), bench.tolerance_m)
        if found.lower_m > stage.bonding_lead_m:
            away = at_least(found.upper_m)
            expected = f"a lead that reaches from the belt of '{person.name}' to its clamp, {away} m away"
            remedy = "take a longer one, or clamp it nearer to where the worker stands"
            place_of = where(site.scene, stage, "bonding_lead_m")
            yield Mistake(place_of, expected, f"{stage.bonding_lead_m:g} m", remedy)
