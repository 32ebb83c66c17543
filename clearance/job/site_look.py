"""Owns the look at the site as one thing: what is measured besides the bodies, and all that it finds, in order.

First what is wrong with the gaps of the line, then what its wires hang on and where it is, then the job's ladder and
ropes, then values that are unlikely. Without a statement that confirms a value, names a designed gap or changes the
site, it is looked at again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from clearance.bodies import Body
from clearance.job import completeness, datum, site_check, site_gear, site_insulators, site_sizes, site_supports
from clearance.job.measuring import Bench
from clearance.result import OpenPoint
from clearance.scene import plausible
from clearance.scene.assemble import Site
from clearance.scene.messages import shown
from clearance.scene.records import Scene
from clearance.scene.records_statements import Absent, Confirmed, DesignedGap, Statement


@dataclass(frozen=True, eq=False)
class Look:
    """What is put into the engine to look at a site: its bodies, points at the ends of wires, wires without ends.

    read: the scene as it was read, before its jobs became stages: its entries are the ones the user knows
    """

    site: Site
    marks: tuple[site_supports.Mark, ...]
    middles: Mapping[str, Body]
    read: Scene

    @property
    def bodies(self) -> tuple[Body, ...]:
        """All of it."""
        return (*self.site.bodies, *(body for _, _, body in self.marks), *self.middles.values())


def look_at(site: Site, read: Scene) -> Look:
    """What to measure of a site."""
    return Look(site, site_supports.marks_of(site), site_check.middles(site), read)


def found(bench: Bench, look: Look) -> tuple[OpenPoint, ...]:
    """Everything that is wrong, unlikely or to be known of the bench's site."""
    return (
        *site_check.of_gaps(bench, look.middles),
        *site_supports.of_supports(bench, look.marks),
        *site_gear.of_gear(bench.site),
        *plausible.unlikely(look.read),
        *plausible.doubted(look.read, site_sizes.of_files(look.site)),
        *_idle(bench, look),
    )


def _idle(bench: Bench, look: Look) -> Iterator[OpenPoint]:
    """Confirmations that confirm nothing: by itself each leaves all that is found as it would be without any."""
    said = [entry for entry in look.read.statements if isinstance(entry, Confirmed)]
    none = _doubts(bench, look, ()) if said else ()
    for entry in said:
        if _doubts(bench, look, (entry,)) == none:
            what = f"statement {look.read.statements.index(entry) + 1} (confirmed) confirms nothing: "
            what += f"no value of {entry.entry}, {entry.field}, that is {shown(entry.value)}, is unlikely"
            yield OpenPoint("statements", what, "leave it out, or mend its field or its value", "clear")


def _doubts(bench: Bench, look: Look, kept: tuple[Confirmed, ...]) -> tuple[OpenPoint, ...]:
    """All that a confirmation can take away, with these confirmations alone."""

    def told(scene: Scene) -> Scene:
        others = tuple(entry for entry in scene.statements if not isinstance(entry, Confirmed))
        return scene.model_copy(update={"statements": (*others, *kept)})

    there = replace(bench, site=replace(bench.site, scene=told(bench.site.scene)))
    return (
        *site_insulators.of_insulators(there),
        *site_supports.of_supports(there, look.marks),
        *site_gear.of_gear(there.site),
        *datum.open_points(there.site),
        *completeness.open_points(there.site.scene),
        *plausible.unlikely(told(look.read)),
        *plausible.doubted(told(look.read), site_sizes.of_files(look.site)),
    )


def again(look: Look, site: Site, entries: Iterable[Statement]) -> Look | None:
    """The look at the same site without some statements; None where they take nothing of it away."""
    told = any(isinstance(entry, Absent | Confirmed | DesignedGap) for entry in entries)
    if site.bodies is look.site.bodies and not told:
        return None
    read = look.read.model_copy(update={"statements": site.scene.statements})
    if site.bodies is look.site.bodies:
        return Look(site, look.marks, look.middles, read)
    return look_at(site, read)
