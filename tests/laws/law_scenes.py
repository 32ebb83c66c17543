"""Owns random scenes for the laws of the scene: tables as a scene file has them, everything in them stated, so that
whatever is not clear is so by a gap and by nothing that was forgotten.

They are small, for each is checked many times; names in them are no words of the format. Numbers are invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

Table = dict[str, Any]


class Shown(dict[str, Any]):
    """A scene that a failure does not print twice: the laws print it as a file."""

    def __repr__(self) -> str:
        return "the scene below"


SAID = {"basis": "invented", "by": "the test", "on": "2026-11-30"}
FAR_M = 30.0
"""[m] How far from the job wires end: what holds them there is not part of these scenes."""

PERSON = {"suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05, "tool_m": 0.0}


MANY = 8
"""How many times as many scenes the slow tests ask a law of."""


def law(few: int, *drawn: Any, **named: Any) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A law as a test: of a few random scenes in every run, of many behind the slow marker, the same ones each time.
    A scene that fails is not made smaller, as each is small and takes its time; it is printed as a file."""

    def asked(check: Callable[..., None], most: int) -> Callable[[], None]:
        found = settings(
            max_examples=most,
            phases=(Phase.explicit, Phase.generate),
            suppress_health_check=list(HealthCheck),
            database=None,
        )(given(*drawn, **named)(check))
        return found

    def tested(check: Callable[..., None]) -> Callable[..., None]:
        runs = [
            pytest.param(asked(check, few), id="few"),
            pytest.param(asked(check, MANY * few), id="many", marks=pytest.mark.slow),
        ]

        @pytest.mark.parametrize("run", runs)
        def test(run: Callable[[], None]) -> None:
            run()

        test.__doc__ = check.__doc__
        return test

    return tested


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """A number to the millimetre, or thousandth of a degree: never nothing but nearly."""
    return st.integers(round(low * 1000), round(high * 1000)).map(lambda found: found / 1000)


def ranges(low: float, high: float, widest: float) -> st.SearchStrategy[list[float]]:
    """A range within two values, now and then a wide one."""
    least = widest / 5  # what is less would be doubted
    return st.tuples(numbers(low, high - least), numbers(least, widest)).map(
        lambda found: [found[0], round(min(found[0] + found[1], high), 3)]
    )


OFTEN = st.sampled_from([True, False])
"""Whether something is there. What is named first is drawn first: few scenes must hold much."""


@st.composite
def sites(draw: st.DrawFn, rows: tuple[float, ...], high: float) -> Table:
    """A site with three phases strung along x, each at its y, about so high at mid-span, and what stands below them."""
    apart = draw(numbers(-0.3, 0.3))
    wires = []
    for row, phase in zip(rows, "ABC", strict=True):
        sag, end = draw(numbers(0.8, 1.4)), round(high + draw(numbers(0.0, 0.3)), 3)
        wire = {
            "kind": "span",
            "name": f"bus {phase}",
            "phase": phase,
            "from_m": [-FAR_M, round(row + apart, 3), round(end + sag, 3)],
            "to_m": [FAR_M, row, round(end + sag + draw(numbers(-0.5, 0.5)), 3)],
            "diameter_m": 0.0281,
            "uncertainty_m": draw(numbers(0.03, 0.1)),
        }
        wires.append(wire | draw(st.sampled_from([{"sag_m": sag}, {"catenary_constant_m": 600.0}])))
    found: Table = {
        "format": 1,
        "name": "a random scene",
        "asks": "stages",
        "rule": ["osha-1910.269"],
        "altitude_m": 100,
        "frequency_Hz": 50,
        "circuits": [
            {
                "name": "line",
                "phases": ["A", "B", "C"],
                "nominal_kV": 220,
                "highest_kV": 245,
                "highest_basis": "IEC 60038",
                "overvoltage_per_unit": draw(st.sampled_from([2.1, 2.5, 3.0])),
                "overvoltage_basis": "switching study",
                "overvoltage_by": "network studies",
            }
        ],
        "ground": {"kind": "level", "height_m": 0.0, "extent_m": 80, "uncertainty_m": 0.05},
        "wires": wires,
        "solids": [],
        "statements": [{"kind": "none", "what": ["weather", "tools"], **SAID}],
    }
    for name in draw(st.sampled_from([("hut", "drum"), ("hut",), ()])):
        found["solids"].append(draw(solids(name)))
        if found["solids"][-1]["potential"] == "floating" and draw(OFTEN):
            found["statements"].append({"kind": "insulating", "body": name, **SAID})
    if draw(OFTEN):
        found["structures"] = [draw(poles)]
    found["crew"] = [draw(crew)]
    if draw(OFTEN):
        found["statements"].append({"kind": "restrained reach", "person": "Ben", "arms": "down", **SAID})
    if van := draw(vans | st.none()):
        found["vehicles"] = [van]
    return {name: value for name, value in found.items() if value != []}


def alone(site: Table) -> Table:
    """The site without what stands about its origin, and without what is said of it."""
    gone = {entry["name"] for table in ("solids", "structures", "vehicles") for entry in site.pop(table, ())}
    site["statements"] = [said for said in site["statements"] if said.get("body") not in gone]
    return site


@st.composite
def around(draw: st.DrawFn, least: float, most: float) -> list[float]:
    """A place beside the origin, at some distance."""
    turn, away = math.radians(draw(numbers(0, 360))), draw(numbers(least, most))
    return [round(away * math.cos(turn), 3), round(away * math.sin(turn), 3)]


@st.composite
def solids(draw: st.DrawFn, name: str, potentials: tuple[str, ...] = ("floating", "B", "earth", "A")) -> Table:
    """A box or a cylinder somewhere beside the ladder, or above it."""
    x, y = draw(around(1.2, 5.0))
    potential = draw(st.sampled_from(potentials))
    # What is live and near the ground would be a fault of the line itself.
    z = draw(numbers(4.0, 5.0) if potential in "ABC" else numbers(1.0, 5.0))
    common = {"name": name, "potential": potential, "uncertainty_m": draw(numbers(0.01, 0.1))}
    if draw(OFTEN):
        size = [draw(numbers(0.2, 1.0)) for _ in range(3)]
        return {"kind": "box", "centre_m": [x, y, z], "size_m": size, "heading_deg": draw(numbers(10, 90)), **common}
    to = [round(x + draw(numbers(0.2, 1.0)), 3), round(y + draw(numbers(-1, 1)), 3), round(z + draw(numbers(-1, 1)), 3)]
    return {"kind": "cylinder", "from_m": [x, y, z], "to_m": to, "radius_m": draw(numbers(0.08, 0.3)), **common}


poles = st.fixed_dictionaries(
    {
        "kind": st.just("pole"),
        "name": st.just("mast"),
        "potential": st.just("earth"),
        "uncertainty_m": numbers(0.01, 0.1),
        "base_m": around(2.5, 6.0),
        "heading_deg": numbers(10, 180),
        "height_m": numbers(3.6, 5.5),
        "base_radius_m": st.just(0.2),
        "top_radius_m": st.just(0.12),
    },
    optional={
        "crossarms": st.fixed_dictionaries(
            {
                "height_m": st.just(3.5),
                "length_m": numbers(0.5, 1.0),
                "depth_m": st.just(0.2),
                "side": st.sampled_from(["left", "right", "both"]),
            }
        ).map(lambda arm: [arm])
    },
)

crew = st.builds(
    lambda size, at, where, tool: {**PERSON, "name": "Ben", **size, "at_m": at, **where, "tool_m": tool},
    st.sampled_from([{"sex": "man", "percentile": 95}, {"sex": "woman", "percentile": 50}, {"stature_m": 1.82}]),
    around(2.5, 5.0),
    numbers(0.3, 1.2).map(lambda radius: {"radius_m": radius}),
    st.sampled_from([0.0, 0.6]),
)

vans = st.builds(
    lambda at, tall, heading, radius: {
        "name": "van",
        "centre_m": [*at, tall / 2],
        "size_m": [4.0, 2.0, tall],
        "heading_deg": heading,
        "radius_m": radius,
    },
    around(4.5, 8.0),
    numbers(1.8, 3.6),
    numbers(10, 180),
    numbers(0.3, 1.2),
)


@st.composite
def on_a_ladder(draw: st.DrawFn) -> Table:
    """A ladder beside phase A, one stage on it: travelling, climbing, bonding, or bonded and at work."""
    kind = draw(st.sampled_from(["climb", "work", "travel", "climb", "bond on"]))
    beside = draw(numbers(3.2, 4.6))
    high = draw(numbers(8.0, 10.5) if kind in ("travel", "climb") else numbers(6.6, 7.4))
    found = draw(sites((0.0, beside, 2 * beside), high))
    found["ladder"] = {
        "name": "steps",
        "length_m": 8.0,
        "width_m": 0.4,
        "rail_diameter_m": 0.06,
        "rung_spacing_m": 0.3,
        "tilt_deg": draw(st.sampled_from([0.0, 4.0])),
        "insulating_from_m": draw(st.sampled_from([0.0, 0.4])),
        "insulating_to_m": draw(st.sampled_from([8.0, 8.0, 7.6])),
        "wet_or_dirty_m": draw(st.sampled_from([0.0, 0.3])),
        "bending_m": 0.05,
        "foot_radius_m": 0.1,
        "insulation_basis": "tested",
    }
    if draw(OFTEN):
        part = {"name": "hook", "from_m": 2.0, "to_m": 2.2, "radius_m": 0.3, "potential": "floating"}
        found["ladder"]["fittings"] = [part]
    found["track"] = {"points_m": [[-4.0, -0.4], [4.0, -0.4]], "heading_deg": draw(numbers(-40, 220)),
                      "settlement_m": 0.02}  # fmt: skip
    if kind != "travel":
        size = {"sex": "man", "percentile": draw(st.sampled_from([50, 95]))}
        own = {"trunk_lean_m": draw(numbers(0.05, 0.3)), "hanging_m": 0.1}
        found["workers"] = [{**PERSON, "name": "Ann", **size, **own}]
    stage: Table = {"name": "the step", "kind": kind, "travel_m": draw(ranges(3.7, 4.3, 0.3))}
    stage |= {f"lean_{way}_deg": draw(ranges(-2.0, 2.0, 1.5)) for way in ("along", "across")}
    if draw(OFTEN):
        stage["heading_deg"] = draw(ranges(-10.0, 10.0, 8.0))
    if kind != "travel":
        stage["climb_m"] = draw(ranges(4.0, 5.0, 0.6) if kind in ("work", "bond on") else ranges(1.3, 4.5, 1.5))
        stage["posture"] = draw(st.sampled_from(["climbing", "standing", "reaching"]))
    if kind in ("work", "bond on"):
        stage |= {"bonded": {"Ann": "A"}, "bonding_lead_m": 3.5, "clamp_m": f"bus A @ {FAR_M:g}"}
    if kind != "travel" and draw(OFTEN):
        found["statements"].append({"kind": "restrained reach", "person": "Ann", "reach_m": 0.55, **SAID})
    found["stages"] = [stage]
    if draw(OFTEN):
        rope = draw(ropes)
        found["ropes"] = [rope]
        # Somebody holds its end.
        at = {"at_m": rope["to_m"][:2], "radius_m": 0.3}
        found["crew"].append({**PERSON, "name": "Eve", "sex": "woman", "percentile": 95, **at})
        if draw(OFTEN):
            rope["wet_or_dirty_m"] = 0.1
            found["tests"] = [{"what": "rope", "name": "guy", "on": "2026-11", "result": "dry", "by": "the test"}]
            found["statements"].append({"kind": "insulating", "body": "guy", **SAID})
    return found


ropes = st.builds(
    lambda along, to, slack: {
        "name": "guy",
        "from_m": f"steps @ {along}",
        "to_m": [*to, 0.2],
        "diameter_m": 0.012,
        "slack_m": slack,
        "hangs_from": "steps",
    },
    numbers(0.5, 5.0),
    around(3.0, 6.0),
    numbers(0.05, 0.2),
)


@st.composite
def on_a_platform(draw: st.DrawFn) -> Table:
    """An aerial device that lifts somebody beside phase A."""
    found = draw(sites((0.0, 4.0, 8.0), draw(numbers(8.5, 10.5))))
    found["aerial_device"] = {
        "name": "lift",
        "base_m": [0.5, -6.0],
        "chassis_m": [6.0, 2.4, 1.8],
        "chassis_deg": draw(numbers(10, 90)),
        "turret_m": 2.0,
        "boom_m": 4.0,
        "boom_radius_m": 0.1,
        "extend_m": [2.0, 6.0],
        "raise_deg": [-10, 75],
        "insulating_m": draw(numbers(2.0, 3.0)),
        "tip_m": 0.2,
        "wet_or_dirty_m": 0.1,
        "platform_m": [1.2, 0.8, 1.0],
        "ahead_m": 0.8,
        "drop_m": 0.9,
        "room_m": 0.1,
        "bending_m": 0.1,
        "insulation_basis": "tested",
    }
    found["workers"] = [{**PERSON, "name": "Ann", "sex": "man", "percentile": 95, "trunk_lean_m": 0.1,
                         "hanging_m": 0.1}]  # fmt: skip
    stage = {"name": "the step", "kind": "climb", "turret_deg": draw(ranges(60, 120, 12)),
             "boom_deg": draw(ranges(10, 50, 6)), "extend_m": draw(ranges(3.0, 4.5, 0.5)),
             "posture": "standing"}  # fmt: skip
    found["stages"] = [stage]
    return alone(found)


@st.composite
def with_a_tail(draw: st.DrawFn) -> Table:
    """A dropper that was taken off phase A and is lowered, or hangs where it is parked, with the crew below."""
    found = draw(sites((0.0, 4.5, 9.0), draw(numbers(8.0, 9.5))))
    alone(found)
    bus = found["wires"][0]
    # The dropper hangs on it when it was surveyed.
    bus |= {"weight_N_m": 14.0, "loads": [{"wire": "dropper", "when_stated": "on"}]}
    found["structures"] = [{"kind": "pole", "name": "mast", "potential": "earth", "uncertainty_m": 0.02,
                            "base_m": [-2.0, draw(numbers(-6.5, -5.0))], "height_m": 11.0, "base_radius_m": 0.2,
                            "top_radius_m": 0.15, "heading_deg": 0.0}]  # fmt: skip
    found["insulators"] = [{"name": "post", "from_m": [4.0, -1.0, 0.4], "to_m": [4.0, -1.0, 3.0], "insulating_m": 2.6,
                            "diameter_m": 0.25}]  # fmt: skip
    thick, dirty = {"diameter_m": 0.014}, {"sag_m": 0.1, "wet_or_dirty_m": draw(st.sampled_from([0.0, 0.2]))}
    top = [-2.0, round(found["structures"][0]["base_m"][1] + 0.3, 3), 10.8]
    release: Table = {
        "free_end": "from",
        "lowered_to_m": [draw(numbers(-1.5, 0.5)), -1.0, draw(numbers(3.5, 5.0))],
        "drop_zone_m": 3.0,
        "trails_m": 0.2,
        "trapped_per_unit": draw(st.sampled_from([1.0, 1.4])),
        "before_opening": {
            "far_end": "open and locked",
            "current_A": 0.002,
            "phase_identified": "traced",
            "by": "the test",
        },
        "ropes": [
            {"name": "rope one", "over_m": top, "hangs_from": "mast", "to_m": [-4.0, -8.0, 0.1], **thick,
             "pulley_radius_m": 0.1, **dirty},
            {"name": "rope two", "to_m": [-6.0, 5.0, 0.1], **thick, **dirty},
        ],
    }  # fmt: skip
    found["wires"].append(
        {
            "kind": "jumper",
            "name": "dropper",
            "phase": "A",
            "from_m": f"bus A @ {FAR_M:g}",
            "to_m": [4.0, -1.0, 3.0],
            "length_m": draw(numbers(8.2, 8.8)),
            "diameter_m": 0.03,
            "uncertainty_m": 0.03,
            "weight_N_m": 14.0,
            "release": release,
        }
    )
    found["crew"] = [{**PERSON, "name": name, "stature_m": 1.75, "at_m": at, "radius_m": 0.5}
                     for name, at in (("Ben", [-4.0, -8.0]), ("Cid", [-6.0, 5.0]))]  # fmt: skip
    kind = draw(st.sampled_from(["lower", "work"]))
    stage: Table = {"name": "the step", "kind": kind}
    if kind == "lower":
        most = math.dist(release["lowered_to_m"], [0.0, 0.0, bus["from_m"][2] - 1.3])
        stage |= {"released": ["dropper"], "lower_m": draw(ranges(1.5, round(most - 0.8, 3), 1.5))}
    else:
        stage["off"] = ["dropper"]
    stage["disturbed"] = [{"wire": "bus A", "movement_m": draw(numbers(0.2, 0.5)), "basis": "estimate"}]
    found["stages"] = [stage]
    said = found["statements"]
    said += [{"kind": "insulating", "body": f"rope {one}", **SAID} for one in ("one", "two")]
    said.append({"kind": "isolated", "wire": "dropper", **SAID})
    said.append({"kind": "held", "wire": "dropper", "sideways_m": 1.6, **SAID})
    said.append({"kind": "may open", "wire": "dropper", "how": "by stick or rope", "current_A": 1.0, "energy_J": 500.0,
                 **SAID})  # fmt: skip
    said.append({"kind": "slowly", "wire": "bus A", **SAID})
    if draw(OFTEN):
        said.append({"kind": "never at", "body": "dropper", "states": ["earth"], **SAID})
    return found


@st.composite
def _scenes(draw: st.DrawFn) -> Shown:
    return Shown(draw(st.one_of(on_a_ladder(), on_a_ladder(), on_a_platform(), with_a_tail())))


scenes = _scenes()

SWEPT = (
    "travel_m", "lean_along_deg", "lean_across_deg", "heading_deg", "turret_deg", "boom_deg", "extend_m", "climb_m",
    "lower_m",
)  # fmt: skip
"""Ranges that stages of these scenes sweep."""
