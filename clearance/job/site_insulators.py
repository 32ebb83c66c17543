"""Owns what an insulator of the line must hold by its length, and what a statement of a designed gap settles.

An insulator is a gap in air of its insulating length: below what the highest operating voltage alone needs the scene is
wrong, and below the electrical part of the limit it is undecided unless a designed gap names it. One that is longer
than anybody builds for its voltage tells of a voltage that is too low.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from clearance.gaps import EARTH
from clearance.job.measuring import Bench
from clearance.job.site_supports import absent_throughout
from clearance.limits import ByEquation, by_equation
from clearance.result import OpenPoint
from clearance.scene.assemble import Site, place
from clearance.scene.live_end import HOLDERS, HOLDS_M, off_core
from clearance.scene.plausible import confirmed, confirming
from clearance.scene.records_statements import DesignedGap
from clearance.scene.voltages import highest_kV
from clearance.scene.wiring import LineInsulator
from clearance.verdict import judge_length

TOUCHING_M = 1e-6
"""[m] A gap below this is told as touching."""

LONGEST_INSULATOR_KV_M = 35.0
"""[kV/m] An insulator with less highest voltage to the metre is unlikely: 245 kV have 2 to 4 m, 420 kV 3 to 6 m (common
practice, no source)."""

SMALL_INSULATORS_KV = 72.5
"""[kV] Up to here insulators are long for their voltage: 24 kV have 0.3 to 0.7 m, 36 kV to 0.9 m, 72.5 kV to 1.2 m, and
some are a class too long (common practice, no source). Likely is 0.6 m and 1 m for 50 kV, which meets the other."""

HANGS = 0.7
"""[1] Of its length by which the live end of an insulator that hangs is below the other: less is a brace or a strut."""


def of_insulators(bench: Bench) -> Iterator[OpenPoint]:
    """Insulating parts too short for the operating voltage or the overvoltage, or longer than anybody builds them."""
    site, gone = bench.site, absent_throughout(bench.site)
    yield from _hanging(site)
    for string in site.strings:
        if not string.holds and string.name not in gone:
            yield _idle(site, string)
        if string.phase is None or string.phase not in site.live:
            continue
        need = by_equation(site.scene, site.circuit_of, string.phase, EARTH, operating=True)
        if need is not None and need.takes_overvoltage and string.insulating_m < need.electrical_m:
            what = (
                f"the scene is wrong: its insulating part of {down(string.insulating_m)} m is shorter than the "
                f"{up(need.electrical_m)} m that the highest operating voltage alone needs ({need.said})"
            )
            yield OpenPoint(
                f"insulator '{string.name}'", what, "measure it again, and mend insulating_m or the voltage"
            )
        elif (short := _short_insulator(bench, string, need)) is not None:
            yield short
        highest = highest_kV(site.scene, site.circuit_of[string.phase])
        entry, field = _entry_of(site, string)
        long = string.insulating_m > longest_m(highest)
        if long and not confirmed(site.scene, entry, field, string.insulating_m):
            what = f"its insulating part of {string.insulating_m:g} m is unlikely for {highest:g} kV (common practice)"
            cure = f"mend its unit, or {confirming(entry, field, string.insulating_m)}"
            yield OpenPoint(f"insulator '{string.name}'", what, cure)


def _hanging(site: Site) -> Iterator[OpenPoint]:
    """Insulators that hang and hold a wire, in weather: as entries of their own they swing with nothing."""
    for entry in site.scene.insulators if site.scene.weather is not None else ():
        top, live = (place(site, site.scene.ground, at) for at in (entry.from_m, entry.to_m))
        ends = (end for hung in site.wires.values() for end in (hung.catenary.start, hung.catenary.end))
        held = any(math.dist(live, end) <= HOLDS_M for end in ends)
        named = f"insulator '{entry.name}'"
        if (
            held
            and top[2] - live[2] > HANGS * math.dist(top, live)
            and not confirmed(site.scene, named, "to_m", entry.to_m, "put there")
        ):
            what = "it hangs and holds a wire, and swings in no weather as an entry of its own"
            cure = "state it as the wire's own: from_string or to_string of kind suspension; or, where it is braced, "
            yield OpenPoint(named, what, f"{cure}{confirming(named, 'to_m', entry.to_m, doubt='put there')}")


def _idle(site: Site, string: LineInsulator) -> OpenPoint:
    """An insulator with nothing at its live end: what it holds is missing, or there is none."""
    at = next(entry.to_m for entry in site.scene.insulators if entry.name == string.name)
    x, y, z = place(site, site.scene.ground, at)
    live = [body for body in site.bodies if body.kind in HOLDERS and body.potential in site.live]
    nearest = min(((off_core(body.shape, (x, y, z)), body.name) for body in live), default=None)
    off = "nothing live is in the scene" if nearest is None else f"'{nearest[1]}' is nearest, {nearest[0]:.2f} m away"
    what = (
        f"it holds nothing: no wire or solid is within {HOLDS_M:g} m of its live end, x {x:.2f}, y {y:.2f}, z {z:.2f} "
        f"m; {off}. It counts as a conductor that floats or is at earth"
    )
    cure = (
        "add the wire or the solid that it holds, or mend to_m; where it holds nothing live, leave it out and add a "
        'solid of its size with potential = "earth"'
    )
    return OpenPoint(f"insulator '{string.name}'", what, cure)


def longest_m(highest_kV: float) -> float:
    """The longest insulating part that is likely for a highest voltage [m]."""
    return highest_kV / LONGEST_INSULATOR_KV_M if highest_kV > SMALL_INSULATORS_KV else 0.6 + highest_kV / 50.0


def _short_insulator(bench: Bench, string: LineInsulator, need: ByEquation | None) -> OpenPoint | None:
    """An insulator that holds the operating voltage, and not the overvoltage: as a gap in air of its length."""
    assert string.phase is not None
    electrical = electrical_m(bench, string.phase, EARTH)
    if electrical is None or string.insulating_m >= electrical:
        return None
    what = (
        f"its insulating part of {down(string.insulating_m)} m is less than the electrical part of the limit, "
        f"{up(electrical)} m: it may flash over"
    )
    said = next((entry for entry in designed(bench.site) if string.name in owners(bench.site, entry)), None)
    if said is not None and accepted(said, need.electrical_m if need is not None and need.takes_overvoltage else None):
        kept = judge_length(string.insulating_m + TOUCHING_M, said.gap_m)
        if kept == "clear":
            said_so = f"; a designed gap of {said.gap_m:g} m, by {said.by}"
            return OpenPoint(f"insulator '{string.name}'", what + said_so, "", kept)
        what += f", and shorter than the designed gap of {said.gap_m:g} m"
    cure = (
        "measure it again and mend insulating_m, or state the gap that is set beside it by a statement of kind "
        f'"designed gap" with bodies "{string.name}" and "{_live_end(bench.site, string)}"'
    )
    return OpenPoint(f"insulator '{string.name}'", what, cure)


def _live_end(site: Site, string: LineInsulator) -> str:
    """What is live at an insulator: the wire that its string holds, or the wire or solid nearest to its live end."""
    wire = string.name.removesuffix(" from string").removesuffix(" to string")
    if wire != string.name and wire in site.wires:
        return wire
    ends = {
        name: min(math.dist(end, string.live_m) for end in (hung.catenary.start, hung.catenary.end))
        for name, hung in site.wires.items()
        if hung.record.phase == string.phase
    }
    return min(ends, key=lambda name: (ends[name], name))


def designed(site: Site) -> Iterator[DesignedGap]:
    return (entry for entry in site.scene.statements if isinstance(entry, DesignedGap))


def owners(site: Site, entry: DesignedGap) -> set[str]:
    return {owner(site, name) for name in entry.bodies}


def owner(site: Site, name: str) -> str:
    """What a statement may name: the insulator for its fittings, every other body by itself."""
    for part in (" fittings", " foot", " head"):
        if any(name == string.name + part for string in site.strings):
            return name.removesuffix(part)
    return name


def accepted(entry: DesignedGap, operating_m: float | None) -> bool:
    """Whether a designed gap can be: one below what the operating voltage needs flashes over every day."""
    return operating_m is None or entry.gap_m >= operating_m


def _entry_of(site: Site, string: LineInsulator) -> tuple[str, str]:
    """The entry and the field that state an insulator's length."""
    for end in ("from", "to"):
        wire = string.name.removesuffix(f" {end} string")
        if wire != string.name and wire in site.wires:
            return f"wire '{wire}'", f"{end}_string.insulating_m"
    return f"insulator '{string.name}'", "insulating_m"


def electrical_m(bench: Bench, one: str, other: str) -> float | None:
    """The electrical part of the limit of two potentials [m], by the scene's rule; by an equation too where one of its
    rules is silent."""
    required = bench.limit(one, other, "air")
    if not required.why:
        return required.electrical_m
    stated = by_equation(bench.site.scene, bench.site.circuit_of, one, other, operating=False)
    return max(
        (m for m in (required.electrical_m, None if stated is None else stated.electrical_m) if m is not None),
        default=None,
    )


def down(length_m: float) -> str:
    return f"{math.floor(length_m * 100.0 + 1e-9) / 100.0:.2f}"


def up(length_m: float) -> str:
    return f"{math.ceil(length_m * 100.0 - 1e-9) / 100.0:.2f}"
