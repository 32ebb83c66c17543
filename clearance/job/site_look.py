"""Owns the look at the site as one thing: what is measured besides the bodies, and all that it finds, in order.

First what is wrong with the gaps of the line, then what its wires hang on and where it is, then the job's ladder and
ropes, then values that are unlikely. Without a statement that confirms a value, names a designed gap or changes the
site, it is looked at again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

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
    """Confirmations that confirm nothing: by itself each leaves all that is found as it would be without any.

    What asks for nothing that a confirmation says finds the same with it.
    """
    said = [entry for entry in look.read.statements if isinstance(entry, Confirmed)]
    idle = list(said)
    for doubts in _doubts(bench, look) if said else ():
        with plausible.with_alone() as asked:
            none = tuple(doubts())
        for entry in [one for one in idle if any(plausible.confirms(one, question) for question in asked)]:
            with plausible.with_alone(entry):
                if tuple(doubts()) != none:
                    idle.remove(entry)
    for entry in idle:
        what = f"statement {look.read.statements.index(entry) + 1} (confirmed) confirms nothing: "
        what += f"no value of {entry.entry}, {entry.field}, that is {shown(entry.value)}, is unlikely"
        yield OpenPoint("statements", what, "leave it out, or mend its field or its value", "clear")


def _doubts(bench: Bench, look: Look) -> Iterator[Callable[[], Iterable[OpenPoint]]]:
    """All that a confirmation can take away."""
    site = bench.site
    yield partial(site_insulators.of_insulators, bench)
    yield partial(site_supports.of_supports, bench, look.marks)
    yield partial(site_gear.of_gear, site)
    yield partial(datum.open_points, site)
    yield partial(completeness.open_points, site.scene)
    yield partial(plausible.unlikely, look.read)
    yield lambda: plausible.doubted(look.read, site_sizes.of_files(look.site))


def again(look: Look, site: Site, entries: Iterable[Statement]) -> Look | None:
    """The look at the same site without some statements; None where they take nothing of it away."""
    told = any(isinstance(entry, Absent | Confirmed | DesignedGap) for entry in entries)
    if site.bodies is look.site.bodies and not told:
        return None
    read = look.read.model_copy(update={"statements": site.scene.statements})
    if site.bodies is look.site.bodies:
        return Look(site, look.marks, look.middles, read)
    return look_at(site, read)
