"""Owns what a briefing says of who stands where on the ground, and of who holds which rope."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from clearance.job.carried import stands_in
from clearance.job.holding import ends_of, hands, made_fast
from clearance.job.standing import crew_there
from clearance.report.numbers import exact
from clearance.scene import statements
from clearance.scene.assemble import Site
from clearance.scene.records import Point, Stage
from clearance.scene.records_job import Crew, Stand


def where_they_stand(site: Site) -> list[dict[str, str]]:
    """Everybody on the ground: where their feet stay, in which stages, and what their hands may do."""
    found: dict[tuple[str, str], list[int]] = {}
    for number, stage in enumerate(site.scene.stages, 1):
        for person in crew_there(site, stage):
            found.setdefault((person.name, _spots(stage, person)), []).append(number)
    people = {person.name: person for person in site.scene.crew}
    order = {name: number for number, name in enumerate(people)}
    rows = []
    for (name, spots), stages in sorted(found.items(), key=lambda one: (order[one[0][0]], one[1])):
        down = "arms down" if statements.arms_down(site.scene, name) else "as far as they reach"
        tool = people[name].tool_m
        held = f"{down}, with {exact(tool)} m of a tool" if tool else down
        rows.append({"who": name, "where": spots, "stages": _runs(stages), "hands": held})
    return rows


def _spots(stage: Stage, person: Crew) -> str:
    """Where somebody is in a stage, and where it sends them: anywhere between."""
    return ", to ".join(dict.fromkeys(where_words(spot) for spot in stands_in(stage, person)))


def _runs(numbers: list[int]) -> str:
    """Numbers in order, what follows one another as a run.

    >>> _runs([1, 2, 3, 5, 8, 9])
    '1 to 3, 5, 8 to 9'
    """
    starts = [numbers[0], *(b for a, b in pairwise(numbers) if b > a + 1)]
    stops = [*(a for a, b in pairwise(numbers) if b > a + 1), numbers[-1]]
    return ", ".join(f"{a} to {b}" if b > a else f"{a}" for a, b in zip(starts, stops, strict=True))


def ropes_held(site: Site, stage: Stage) -> Iterator[str]:
    """Who has which rope in the hand, and from where; what is made fast; what nobody has."""
    people = {person.name: person for person in site.scene.crew}
    ends, in_hand = ends_of(site, stage), hands(site, stage)
    for end in ends:
        if end.rope in in_hand:
            who = in_hand[end.rope]
            led = ", who hauls it in or lets it out" if end.moves else ""
            spots = _spots(stage, people[who])
            yield f"Rope '{end.rope}': held by {who}{led}, at {spots}; its end at {_point(end.at)}."
    fast = [end for end in ends if end.rope not in in_hand and not end.moves and made_fast(site, stage, end)]
    # Where, is told in the stages that their wire goes in.
    asked = [end for end in fast if end.wire in ("", *stage.released)]
    if asked:
        yield f"Made fast: {'; '.join(f'{end.rope} at {_point(end.at)}' for end in asked)}."
    if others := [end.rope for end in fast if end not in asked]:
        yield f"Made fast where {'it ends' if len(others) == 1 else 'they end'}: {', '.join(others)}."
    for end in ends:
        if end.rope not in in_hand and end not in fast:
            yield f"Held by nobody: rope '{end.rope}', its end at {_point(end.at)}."


def _point(at: Point) -> str:
    x, y, z = at
    return f"x {x:.2f}, y {y:.2f}, z {z:.2f} m"


def where_words(place: Stand) -> str:
    """A place on the ground in words."""
    if place.area_m is not None:
        corners = "; ".join(f"x {exact(x)}, y {exact(y)}" for x, y in place.area_m)
        return f"the area with the corners {corners} m"
    x, y = place.at_m
    return f"x {exact(x)}, y {exact(y)} m, within {exact(place.radius_m or 0.0)} m"
