"""Owns the job briefing: what a crew reads on paper or a tablet, and a supervisor signs.

`briefing_page` makes one HTML file with its pictures inside, for a tablet or to print on A4 or Letter; `write_briefing`
puts it, its PDFs and the result it shows into a folder. Every number is of the result that was proved at exactly the
printed ranges: gaps rounded down, limits up, ranges as they were swept. Nothing is decided here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import jinja2

from clearance.bodies import Body
from clearance.errors import MissingExtra, RuleError
from clearance.job.rig import track_knots
from clearance.job.setting import standing
from clearance.job.site_gaps import SiteGap, site_gaps
from clearance.limits import highest_kV
from clearance.permitted import Permits, Permitted, rungs
from clearance.pipeline import settings
from clearance.report import paper
from clearance.report.briefing_figures import Scenery, site_figure, stage_figure
from clearance.report.findings import (
    CHECKS,
    KINDS,
    SUPPORTS,
    Finding,
    chain,
    counts,
    drawable,
    findings,
    leading,
    leading_drawn,
    stage_word,
)
from clearance.report.gap_lines import GapLine, Settings, gap_lines, setting_of
from clearance.report.numbers import down, up
from clearance.report.pdf import print_pdf
from clearance.report.style import COLOURS, REACH, SIGNS
from clearance.report.views import legs, line_direction
from clearance.result import Gap, StageResult
from clearance.rules import transfer_distance
from clearance.scene.records import Range, Scene, Stage, aloft, phases

Progress = Callable[[str], None]
TEMPLATES = Path(__file__).parent / "templates"

SIZES: Final = ("A4", "Letter")
MOST_WIND_M_S: Final = 10.0
"""[m/s] No live work above this wind, whatever was swept: GB 26859 family, force 5; from memory."""

FALLS: Final = (
    "the whip of a conductor that falls, and what a rope that breaks strikes",
    "the fall of the ladder after a guy is lost or a foot gives way",
)
"""What no stage sweeps: the crew must know that nothing is proved of it."""

KIND_WORDS: Final[Mapping[str, str]] = {
    "travel": "ladder moves, nobody on it", "mount": "step on", "climb": "climb, not bonded", "bonding": "bond",
    "work": "work, bonded", "release": "part a connection", "lower": "lower or raise a conductor",
    "join": "make a connection", "earthing": "earth with a remote tool", "unbonding": "unbond",
    "descend": "come down, not bonded",
}  # fmt: skip


def exact(value: float) -> str:
    """A number as it was swept, with two decimals at least: what is printed reads back as what was proved.

    >>> exact(1.9), exact(-0.0), exact(2.0625)
    ('1.90', '0.00', '2.0625')
    """
    text = f"{value + 0.0:.2f}"
    return text if float(text) == value else repr(value)


def write_briefing(
    permits: Permits, folder: Path, pdf: bool = True, progress: Progress | None = None
) -> tuple[list[Path], str]:
    """The briefing in a folder that is there: the files written, and why a PDF is missing, or "".

    Raises: OSError where the folder cannot be written.
    """
    tell = progress or (lambda _: None)
    pictures = drawn(permits, tell)
    files = [folder / "briefing.html", folder / "result.json"]
    files[0].write_text(briefing_page(permits, pictures), encoding="utf-8")
    files[1].write_text(permits.result.to_json(), encoding="utf-8")
    if not pdf:
        return files, ""
    for size in SIZES:
        tell(f"printing on {size}")
        out = folder / f"briefing-{size.lower()}.pdf"
        try:
            print_pdf(briefing_page(permits, pictures, size), out)
        except MissingExtra as error:
            return files, str(error)
        files.append(out)
    return files, ""


def briefing_page(permits: Permits, pictures: Mapping[str, str], size: str = "") -> str:
    """The briefing as one HTML file; size: "A4", "Letter", or "" for a page that prints on what is in the printer."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )  # fmt: skip
    return environment.get_template("briefing.html").render(size=size, pictures=pictures, **contents(permits))


def contents(permits: Permits) -> dict[str, Any]:
    """All that the page says, by section."""
    result, scene = permits.result, permits.prepared.site.scene
    not_clear = [one for one in permits.stages if one.outcome != "as stated"]
    return {
        "name": result.scene,
        "digest": result.sha256 or "not from a file",
        "version": result.version,
        "tolerance": f"{result.tolerance_m:g}",
        "verdict": "clear" if not not_clear else "not clear",
        "counts": counts(result),
        "not_clear": [(one.stage.name, one.outcome) for one in not_clear],
        "paragraph": paragraph(scene, result.stages),
        "limits": required_distances(permits.stages),
        "rules": list(dict.fromkeys((row["mark"], row["rule"]) for row in required_distances(permits.stages))),
        "stages": [stage_sheet(scene, one, number) for number, one in enumerate(permits.stages, 1)],
        "stops": list(stop_conditions(scene)),
        "measures": [measure_row(gap) for gap in to_measure(permits)],
        "tests": list(recorded_tests(scene)),
        "assumed": list(assumed(scene)),
        "basis": list(result.basis),
        "skipped": [*result.skipped, *FALLS],
        "line": [(f"{g.between[0]} to {g.between[1]}", down(g.gap_m), " to ".join(g.ends)) for g in result.line],
        "supports": SUPPORTS,
        "checks": list(checks(scene)),
        "cautions": list(cautions(scene, permits.stages)),
    }


def paragraph(scene: Scene, stages: tuple[StageResult, ...]) -> str:
    """The job in a paragraph."""
    circuits = "; ".join(
        f"circuit {c.name}, phases {', '.join(c.phases)}, {c.nominal_kV:g} kV, {c.state}" for c in scene.circuits
    )
    who = ", ".join(worker.name for worker in scene.workers) or "nobody aloft"
    ground = ", ".join(person.name for person in scene.crew) or "nobody named"
    worked = list(dict.fromkeys(phase for stage in scene.stages for phase in stage.bonded.values()))
    taken = list(dict.fromkeys(name for stage in scene.stages for name in stage.released))
    words = f"Live-line bare-hand work on {circuits}, from an insulating ladder"
    words += f" of {scene.ladder.length_m:g} m" if scene.ladder is not None else ""
    words += f". Aloft: {who}; on the ground: {ground}. {len(stages)} stages"
    words += f"; bonded in turn to phase {', then '.join(worked)}" if worked else ""
    words += f"; taken off or put back: {', '.join(taken)}" if taken else ""
    return words + "."


def required_distances(stages: tuple[Permitted, ...]) -> list[dict[str, str]]:
    """The placard: every required distance that a stage was judged by, each once."""
    rows: dict[tuple[str, str, str], Gap] = {}
    for one in stages:
        for gap in one.found.gaps:
            exposure = "phase to earth" if "earth" in gap.between else "phase to phase"
            rows.setdefault((exposure, gap.kind, gap.voltage), gap)
    quoted = {_rule(gap): number for number, gap in enumerate({_rule(g): g for g in rows.values()}.values(), 1)}
    return [
        {
            "exposure": exposure,
            "kind": KINDS.get(kind, kind),
            "limit": up(gap.limit_m),
            "electrical": up(gap.electrical_m),
            "rule": _rule(gap),
            "mark": f"[{quoted[_rule(gap)]}]",
        }
        for (exposure, kind, _), gap in sorted(rows.items(), key=lambda row: row[0])
    ]


def _rule(gap: Gap) -> str:
    """The rule of a limit, and what it was taken at."""
    return ", ".join(part for key in ("name", "edition", "clause") if (part := gap.rule.get(key))) + f"; {gap.voltage}"


def stage_sheet(scene: Scene, one: Permitted, number: int) -> dict[str, Any]:
    """One stage: what is permitted, the least margin and to what, and what else the crew must know."""
    stage, found = one.stage, one.found
    least = leading(found)
    word = stage_word(found)
    return {
        "number": number,
        "name": stage.name,
        "kind": KIND_WORDS.get(stage.kind, stage.kind),
        "outcome": one.outcome,
        "word": word,
        "sign": SIGNS[word],
        "colour": COLOURS[word],
        "ranges": list(range_sentences(scene, stage)),
        "conditions": list(stage_conditions(scene, stage)),
        "swept": json.dumps({name: list(span) for name, span in found.parameters.items()}),
        "least": None if least is None else least_margin(least),
        "notes": [note for note in found.notes if note == stage.note],
        "low": [least_margin(f) for f in findings(found) if f.word == "low margin" and f != least],
        "drawn": drawn_words(found),
    }


def drawn_words(found: StageResult) -> str:
    """What the picture of a stage shows."""
    finding = picture_of(found)
    if finding is None:
        return ""
    said = least_margin(finding)
    return f"Drawn: {said['what']}, {said['gap']} m where {said['limit']} m are required. At {said['where']}."


def least_margin(finding: Finding) -> dict[str, str]:
    """A margin in words, its numbers as the report shows them."""
    numbers = finding.figures
    through = chain(finding.measure) if finding.measure is not None else ""
    return {
        "margin": numbers.margin,
        "gap": numbers.gap,
        "limit": numbers.limit,
        "what": finding.what,
        "check": CHECKS[finding.check] if finding.check else "",
        "through": through.replace(" > ", ", "),
        "where": finding.where,
    }


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
        what = "Ladder moves" if moves else "Ladder stands"
        yield f"{what} {_between(stage.travel_m, ' m')} (stations along the track)."
    if stage.climb_m is not None and aloft(scene, stage):
        rung = rungs(stage.climb_m, spacing) if spacing else None
        words = f"Feet {_between(stage.climb_m, ' m')} up the ladder"
        if rung is not None:
            words += f", rung {rung[0]}" if rung[0] == rung[1] else f", rungs {rung[0]} to {rung[1]}"
        high = f"not above {f'rung {rung[1]}' if rung else exact(stage.climb_m.hi) + ' m'}"
        if stage.kind in ("climb", "descend", "mount"):
            words += f"; {high} while not bonded"
        yield f"{words}."
    if stage.travel_m is not None:
        along, across = (_lean(span) for span in (stage.lean_along_deg, stage.lean_across_deg))
        yield f"Ladder leans {along} along its heading, {across} across it."
    if stage.heading_deg != Range(0.0, 0.0):
        yield f"Ladder turned {_between(stage.heading_deg, '°')}."
    if stage.lower_m is not None and stage.released:
        yield f"Free end of {', '.join(stage.released)} {_between(stage.lower_m, ' m')} below its place."
    if stage.swing_m > 0:
        yield f"Swing of no more than {exact(stage.swing_m)} m to any side."


def stage_conditions(scene: Scene, stage: Stage) -> Iterator[str]:
    """What must be so in a stage besides its ranges."""
    for name, phase in stage.bonded.items():
        words = f"{name} is bonded to phase {phase}"
        if stage.kind == "bonding":
            words = f"{name} bonds to phase {phase}: the clamp goes on first, at arm's length, and at once"
            words += _arc_zone(scene, phase)
        elif stage.kind == "unbonding":
            words = f"{name} unbonds from phase {phase}: the clamp comes off last"
        words += f"; lead of {exact(stage.bonding_lead_m)} m" if stage.bonding_lead_m is not None else ""
        clamp = stage.clamp_m
        if clamp is not None:
            words += f", clamp at {clamp if not isinstance(clamp, tuple) else ', '.join(exact(v) for v in clamp)}"
        yield f"{words}."
    loose = [name for name in aloft(scene, stage) if name not in stage.bonded]
    if loose and stage.kind != "mount":
        yield f"{', '.join(loose)} touches nothing but the ladder."
    if stage.parting_distance_m is not None:
        yield (
            f"Everybody keeps {exact(stage.parting_distance_m)} m from where {', '.join(stage.released)} opens or "
            "closes; nobody bridges its two ends."
        )
    for wire in scene.wires:
        if wire.name in stage.released and wire.release is not None and wire.release.drop_zone_m is not None:
            yield f"On the ground nobody nearer than {exact(wire.release.drop_zone_m)} m to below {wire.name}."
    if stage.off:
        earthed = [name for name in stage.off if stage.potentials.get(name) == "earth"]
        yield f"Lowered and parked: {', '.join(stage.off)}" + (f"; earthed: {', '.join(earthed)}." if earthed else ".")
    if stage.earths or stage.lifts_earth:
        yield f"Remote tool, insulating for {exact(stage.stick_m or 0.0)} m beyond the hands; nobody on the ladder."
    if stage.absent:
        yield f"Not there in this stage: {', '.join(stage.absent)}."
    if stage.rides is not None:
        yield f"The ladder travels with a person on it: {stage.rides}."


def _arc_zone(scene: Scene, phase: str) -> str:
    """How near the conductor an unbonded body becomes charged, where a figure is known."""
    try:
        distance, _ = transfer_distance(highest_kV(scene, phases(scene)[phase]))
    except RuleError:
        return ""
    return f" (nearer than {up(distance)} m an unbonded body takes an arc)"


def stop_conditions(scene: Scene) -> Iterator[str]:
    """When to stop: each ends the work until the person in charge starts it again."""
    weather = getattr(scene, "weather", None)
    if weather is None:
        yield (
            f"Wind that moves the conductors or the ladder, and in any case wind over {MOST_WIND_M_S:g} m/s: no wind "
            "was swept, the conductors were taken at rest."
        )
        yield "Air or conductors so much warmer or colder than when surveyed that a gap of section 6 is off."
    else:
        yield f"Wind over {min(weather.wind_m_s.hi, MOST_WIND_M_S):g} m/s (swept up to {weather.wind_m_s.hi:g} m/s)."
        yield f"Air temperature outside {weather.air_C.lo:g} °C to {weather.air_C.hi:g} °C."
    yield "Thunder heard or lightning seen, however far."
    yield "Rain, snow, fog, or frost or dew on the ladder, ropes or insulators."
    yield "Relative humidity over 80 %."
    yield "An arrester or protective gap that the overvoltage rests on out of service."
    yield "Switching on this line or on anything that feeds it."
    for circuit in scene.circuits:
        if circuit.overvoltage_basis:
            yield f"Circuit {circuit.name}: any of this no longer true: {circuit.overvoltage_basis}."
    yield "Automatic reclosing found not blocked, or the block lost."
    yield "A gap measured on site outside what section 6 gives."
    yield "A ladder, rope, suit, lead or tool found damaged, wet or dirty; any tingling or discharge on a person."


def to_measure(permits: Permits) -> tuple[SiteGap, ...]:
    """Three gaps to measure: at the bonded stage with the least margin."""
    bonded = [one for one in permits.stages if one.stage.bonded and one.stage.clamp_m is not None]
    bonded.sort(key=lambda one: _margin(one.found))
    for one in bonded:
        found = site_gaps(permits.prepared.site, one.stage)
        if found:
            return found
    return ()


def _margin(found: StageResult) -> float:
    least = leading(found)
    return float("inf") if least is None or least.margin_m is None else least.margin_m


def measure_row(gap: SiteGap) -> dict[str, str]:
    """A gap to measure; the least that may be found is rounded up, the most down: the careful side of both."""
    least, most = gap.expected_m - gap.slack_m, gap.expected_m + gap.slack_m
    return {
        "what": gap.what,
        "ends": " to ".join(gap.ends),
        "expected": f"{gap.expected_m:.2f}",
        "slack": down(gap.slack_m),
        "least": up(least),
        "most": down(most),
        "at": ", ".join(f"{v:.1f}" for v in gap.at[0]),
    }


def recorded_tests(scene: Scene) -> Iterator[dict[str, str]]:
    """Tests of suit, bonding lead, ropes and ladder: those recorded, and lines to fill in for those that are not."""
    recorded = {test.what for test in scene.tests}
    for test in scene.tests:
        leakage = "" if test.leakage_uA is None else f"; {test.leakage_uA:g} µA at {test.at_kV or 0:g} kV to earth"
        yield {"what": f"{test.what}: {test.name}", "result": f"{test.result}{leakage}", "by": f"{test.by}, {test.on}"}
    if scene.ladder is not None and "ladder" not in recorded:
        yield {"what": f"ladder: {scene.ladder.name}", "result": scene.ladder.insulation_basis or "", "by": ""}
    for rope in scene.ropes:
        if rope.insulating:
            yield {"what": f"rope: {rope.name}", "result": rope.test or "", "by": rope.by or ""}
    for what in ("suit", "bonding lead", "rope", "remote tool"):
        needed = what not in recorded and not (what == "rope" and any(rope.insulating for rope in scene.ropes))
        if needed and (what != "remote tool" or any(stage.stick_m for stage in scene.stages)):
            yield {"what": what, "result": "", "by": ""}


def assumed(scene: Scene) -> Iterator[tuple[str, str]]:
    """What the verdict takes as true on somebody's word: what, and whose."""
    for circuit in scene.circuits:
        if circuit.overvoltage_per_unit is not None:
            words = f"{circuit.name}: overvoltage at most {circuit.overvoltage_per_unit:g} per unit"
            yield f"{words}, {circuit.overvoltage_basis}", circuit.overvoltage_by or ""
        if circuit.highest_basis:
            yield f"{circuit.name}: highest voltage {circuit.highest_kV:g} kV, {circuit.highest_basis}", ""
    for entry in scene.air_only:
        yield f"{' to '.join(entry.between)} is air only: {entry.reason}", entry.by
    for wire in scene.wires:
        release = wire.release
        if release is None:
            continue
        yield f"{wire.name}, far end isolated: {release.isolated}", release.by
        if release.before_parting is not None:
            before = release.before_parting
            yield (
                f"{wire.name}: far end {before.far_end}, {before.current_A:g} A measured, phase identified: "
                f"{before.phase_identified}",
                before.by,
            )
        for struck in release.struck_out:
            yield f"{wire.name} is not judged at {struck.state}: {struck.proof}", struck.by
    for stage in scene.stages:
        for state in stage.states:
            yield f"{stage.name}: {state.body} only at {', '.join(state.states)}: {state.proof}", state.by
        if stage.rides is not None:
            yield f"{stage.name}: the ladder travels with a person on it", stage.rides
    disturbed = dict.fromkeys((d.wire, d.slack_m, d.basis or "no basis") for s in scene.stages for d in s.disturbed)
    for wire_name, slack_m, basis in disturbed:
        yield f"{wire_name} moves by at most {slack_m:g} m while it is worked on: {basis}", ""
    for worker in scene.workers:
        if worker.restraint is not None:
            yield f"{worker.name}: {worker.restraint}", ""


def checks(scene: Scene) -> Iterator[str]:
    """Boxes to tick before anybody climbs."""
    yield "This briefing was read aloud to everybody; each said back own place, own task and when to stop."
    yield "Scene digest on this page compared with that of the checked scene."
    yield "The person in charge spoke with whoever operates the line; automatic reclosing is blocked, and stays so."
    for circuit in scene.circuits:
        if circuit.overvoltage_basis:
            yield f"Circuit {circuit.name}: {circuit.overvoltage_basis}: confirmed today."
    yield "Weather looked at now and forecast for the whole of the work; wind and humidity measured at the site."
    yield "Track laid, levelled and marked with its stations; ladder feet and track do not settle under load."
    yield "Ladder, ropes and sticks clean, dry and in date; looked over along their whole length."
    yield "Suit, gloves, socks, hood and bonding lead joined up and measured."
    yield "The three gaps of section 6 measured with an insulating stick, and inside what is given."
    for wire in scene.wires:
        if wire.release is not None:
            yield f"{wire.name}: far end open and locked, current measured zero, phase identified by two people."
    yield "A watcher is named below who has no other task, sees worker and crew, and can stop the work by one word."
    yield "Rescue from the ladder gone through; who does what is named."


def cautions(scene: Scene, stages: tuple[Permitted, ...]) -> Iterator[str]:
    """What the crew must bear in mind throughout."""
    yield "If the line goes dead, treat it as live. Nobody re-energizes it without speaking to the person in charge."
    yield "A named watcher with no other task watches throughout. When the watcher calls stop, everybody stops."
    yield "Ranges hold jointly, each with all others of its stage. Outside any one of them nothing is proved."
    yield "While somebody is bonded nobody on the ground touches the ladder above its foot, or a conductor taken off."
    if any(one.stage.released for one in stages):
        yield "A conductor taken off stays at the voltage of its phase until it is earthed by a remote tool."
        yield "Nobody stands below a conductor that hangs parted or is lowered. Its whip after a fall is not evaluated."
    if any(one.stage.swing_m for one in stages):
        yield "One who hangs in the harness is lowered, never lifted past the conductor."


def drawn(permits: Permits, tell: Progress) -> dict[str, str]:
    """The pictures by name: "plan", "elevation", and one for each stage by its name."""
    scene = permits.prepared.site.scene
    names, found = tuple(phases(scene)), {}
    known: Settings = settings(permits.prepared)
    shown = [one for one in permits.stages if picture_of(one.found) is not None]
    site = next((one for one in shown if one.stage.bonded), shown[0] if shown else None)
    with paper.settings():
        for number, one in enumerate(permits.stages, 1):
            tell(f"picture of stage {number} of {len(permits.stages)}")
            finding = picture_of(one.found)
            if finding is None:
                continue
            bodies = _standing(known, one.found.name, finding)
            lines = _lines(one.found, finding)
            scenery = Scenery(bodies, lines, names, line_direction(bodies))
            found[one.stage.name] = stage_figure(f"stage {number}", scenery)
            if one is site:
                track, _ = track_knots(permits.prepared.site) if scene.track is not None else (_no_track(), 0.0)
                for kind in ("plan", "elevation"):
                    found[kind] = site_figure(kind, replace(scenery, lines=()), track, _north(scene))
    return found


def _no_track() -> Any:
    import numpy as np

    return np.zeros((0, 4))


def _north(scene: Scene) -> str:
    origin = scene.origin
    return "N" if origin.epsg is not None or origin.easting_m or origin.northing_m else "y"


def picture_of(found: StageResult) -> Finding | None:
    """What a stage's picture is drawn for: the least margin on whose way the job's own bodies are; else its leading."""
    moved = {collision.body for collision in found.collisions}
    near = [f for f in drawable(found) if f.measure is not None and _passes(f, moved)]
    wrong = [f for f in near if f.verdict != "clear"]
    candidates = [f for f in (wrong or near) if f.margin_m is not None]
    return min(candidates, key=lambda f: f.margin_m or 0.0) if candidates else leading_drawn(found)


def _passes(finding: Finding, moved: set[str]) -> bool:
    measure = finding.measure
    return measure is not None and bool(moved & {measure.ends[0], *measure.through, measure.ends[1]})


def _lines(found: StageResult, finding: Finding) -> tuple[GapLine, ...]:
    if finding.measure is None or not len(legs(finding.measure.points)):
        return ()
    return tuple(gap_lines(found, finding))


def _standing(known: Settings, stage: str, finding: Finding) -> tuple[Body, ...]:
    """Everything where it is at a finding; for a reach, the stated posture inside its envelope."""
    bodies = standing(setting_of(known, stage, finding), finding.at)
    if finding.check != "reach":
        return bodies
    posture = standing(setting_of(known, stage, replace(finding, check="posture")), finding.at)
    inside = tuple(body for body in posture if body.kind == "worker")
    return tuple(replace(body, kind=REACH) if body.kind == "worker" else body for body in bodies) + inside
