"""What remaining wires do when a load or a span goes."""

from __future__ import annotations

import numpy as np
import pytest
from conductor_chain import chain, swung
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import simpson

from clearance.conductor.catalogue import find, linear
from clearance.conductor.change_of_state import Linear
from clearance.conductor.elastic import Segment, joints, polyline
from clearance.conductor.lines import End, Known, Line, PointLoad
from clearance.conductor.loads import carried
from clearance.conductor.loads import settled as loaded
from clearance.conductor.rebound import reach_of, released_energy
from clearance.conductor.released import _largest, at, changed, eased, parted, without_span
from clearance.conductor.section import Section, Support, at_state, settle, strung
from clearance.errors import InputError

DRAKE = Linear(32.6e6, 18.8e-6)


def rail(spans=(300.0, 280.0, 320.0), string=2.0):
    x = np.concatenate([[0.0], np.cumsum(spans)])
    inner = range(1, len(spans))
    points = [
        Support(
            np.array([at_, 0.0, string if j in inner else 0.0]),
            string if j in inner else 0.0,
            np.array([0, 0, -300.0 if j in inner else 0.0]),
        )
        for j, at_ in enumerate(x)
    ]
    return strung(points, 25000.0, 15.97, 15.0, DRAKE)


def worst(points, chain):
    start, step = chain[:-1], np.diff(chain, axis=0)
    along = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, step) / (step**2).sum(1), 0, 1)
    return np.linalg.norm(points[:, None] - (start + along[..., None] * step), axis=2).min(1).max()


def test_the_string_beside_the_gap_swings_into_the_section_and_its_span_sags():
    section, settled = at_state(rail(), 15.0)
    change = without_span(section, settled, 2)

    assert [move.span for move in change.moves] == [0, 1]
    beside = change.moves[1]
    assert beside.rate[-1, 0] < -0.5, "the string swings away from the gap"
    assert np.linalg.norm(at(beside, 1.0)[-1] - section.supports[2].point) == pytest.approx(2.0, abs=1e-6)
    assert beside.pull_after_N < beside.pull_before_N
    middle = len(beside.before) // 2
    assert at(beside, 1.0)[middle, 2] < beside.before[middle, 2] - 0.5
    # The far span feels it less.
    assert change.moves[0].clamps_m[1] < beside.clamps_m[1]


def test_a_dead_end_keeps_the_other_side_still_and_carries_the_difference():
    ends = [Support(np.array([300.0 * k, 0.0, 0.0])) for k in range(3)]
    section, settled = at_state(strung(ends, 25000.0, 15.97, 15.0, DRAKE), 15.0)
    change = without_span(section, settled, 1)

    assert np.abs(change.moves[0].rate).max() < 1e-6
    assert abs(change.pulls_before_N[1, 0]) < 1.0
    assert change.pulls_after_N[1, 0] == pytest.approx(-25000.0, rel=1e-4)


@settings(max_examples=8, deadline=None)
@given(share=st.floats(0, 1), gone=st.integers(0, 2))
def test_every_state_between_is_within_uncertainty(share, gone):
    """The span's pull taken away in part: the equilibrium solved afresh lies within uncertainty of the linear move."""
    section, settled = at_state(rail(), 15.0)
    change = without_span(section, settled, gone)
    pull = settled.lines[gone].force
    if gone == 0:
        return
    supports = list(section.supports[: gone + 1])
    supports[-1] = Support(supports[-1].point, supports[-1].string_m, supports[-1].load_N + share * pull)
    done = settle(Section(tuple(supports), section.spans[:gone], section.loads[:gone]))
    for move in change.moves[:gone]:
        true, _ = polyline(done.lines[move.span], 0.002)

        assert (
            min(worst(true, at(move, v)) for v in np.linspace(0, 1, 201))
            <= move.uncertainty_m + np.abs(move.rate).max() / 201
        )


def test_a_worker_who_leaves_lets_the_span_rise():
    line = rail()
    loaded = at_state(line, 15.0, hung=[[], [(0.5, (0, 0, -1200.0))], []])
    bare, _ = at_state(line, 15.0, hung=[[], [(0.5, (0, 0, 0.0))], []])
    change = changed(loaded, bare)
    middle = change.moves[1]

    assert middle.rate[len(middle.rate) // 2, 2] > 0.3
    assert change.moves[0].rate[len(change.moves[0].rate) // 2, 2] < 0, "its neighbour sags as the strings swing back"
    assert middle.range_1 == (0.0, 2.0)
    assert changed(loaded, bare, sudden=False).moves[1].range_1 == (0.0, 1.0)
    # After the release the section is as if never loaded.
    assert middle.pull_after_N == pytest.approx(25000.0, rel=5e-3)


def test_what_is_not_there_cannot_go():
    section, settled = at_state(rail(), 15.0)
    with pytest.raises(InputError, match="a span from 0 to 2"):
        without_span(section, settled, 3)


CATALOGUE = find("Drake")


def carrier(size, place, level=60.0, rise=0.0):
    force = size if isinstance(size, tuple) else (0.0, 0.0, -size)
    return Line(
        "bus", End((0.0, 0.0, 12.0)), End((level, 0.0, 12.0 + rise)), CATALOGUE.diameter_m, CATALOGUE,
        known=Known(tension_N=6000.0, weight_N_m=CATALOGUE.weight_N_m), loads=(PointLoad("load", place, force),),
    )  # fmt: skip


def off_each(points, chain_):
    start, step = chain_[:-1], np.diff(chain_, axis=0)
    along = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, step) / (step**2).sum(1), 0, 1)
    return np.linalg.norm(points[:, None] - (start + along[..., None] * step), axis=2).min(1)


@pytest.mark.parametrize(
    ("size", "place", "rise", "at_most"),
    [pytest.param(500.0, 30.0, 0.0, 0.6, id="middle"),
     pytest.param(500.0, 6.0, 0.0, 0.6, id="near an end", marks=pytest.mark.slow),
     pytest.param(110.0, 2.1, 0.0, 0.1, id="dropper"),
     pytest.param(900.0, 20.0, 3.0, 1.1, id="inclined", marks=pytest.mark.slow)],
)  # fmt: skip
def test_a_load_let_go_at_once_swings_within_the_sweep(size, place, rise, at_most):
    """A chain of 40 elastic bars with its load cut off, integrated in time without damping for 3 s, more than three
    times round for the waves of the conductor: every node stays within the swept shape and the uncertainty around
    it."""
    line = carrier(size, place, rise=rise)
    made = carried([line])
    move = eased(made, {("bus", "load"): 1.0}, {}).moves[0]
    count, share, stiffness = 40, made.stood[0].shares[0], linear(CATALOGUE).stiffness_N
    at_load = max(1, round(share * count))
    shares = np.concatenate([np.linspace(0, share, at_load + 1), np.linspace(share, 1, count - at_load + 1)[1:]])
    lengths = np.diff(shares) * made.strung[0].lengths_m[0]
    weights = np.zeros(count + 1)
    weights[:-1] += lengths / 2 * CATALOGUE.weight_N_m
    weights[1:] += lengths / 2 * CATALOGUE.weight_N_m
    bare = np.zeros((count + 1, 3))
    bare[:, 2] = -weights
    hung = bare.copy()
    hung[at_load, 2] -= size
    guess = np.array([[60.0 * s, 0.0, 12.0 + rise * s - 1.3 * np.sin(np.pi * s)] for s in shares])
    nodes = chain(line.start.point, line.end.point, lengths, np.full(count, stiffness), hung, guess)
    course = swung(nodes, lengths, stiffness, weights / 9.80665, bare, 3.0, 150)

    swept = [at(move, v) for v in np.linspace(*move.range_1, 41)]
    near = np.linalg.norm(nodes[:, None] - move.before, axis=2).argmin(axis=1)
    room = move.uncertainty_m + move.beyond_m
    allowed = np.minimum.reduce([room[np.clip(near + k, 0, len(room) - 1)] for k in (-1, 0, 1)])
    off = np.array([np.min([off_each(state, shape) for shape in swept], axis=0) for state in course])
    assert (off <= allowed).all()
    # Not by a bound that says nothing: a small multiple of what happens. Twice the static move alone would not do.
    assert move.beyond_m.max() < at_most
    assert (off > move.uncertainty_m).any()


@settings(max_examples=10, deadline=None)
@given(share=st.floats(0, 1), model=st.integers(0, 2), sudden=st.booleans())
def test_any_share_of_a_pull_askew_is_within_uncertainty(share, model, sudden):
    """A dropper's weight and pull, let off in part, under every way the conductor may stretch."""
    line = carrier((45.0, 12.0, -95.0), 8.0, rise=-2.0)
    made = carried([line])
    move = eased(made, {("bus", "load"): 1.0}, {}, sudden).moves[0]
    true, _ = polyline(loaded(made, {("bus", "load"): share}, model)[1].lines[0], 0.002)

    nearest = min(worst(true, at(move, v)) for v in np.linspace(0, 1, 101))
    assert nearest <= move.uncertainty_m + np.abs(move.rate).max() / 101
    assert move.uncertainty_m < 0.02
    assert (move.beyond_m.max() > 0) == sudden
    assert abs(float(move.rate[len(move.rate) // 4, 1])) > 0, "it also pulled across"


def test_a_load_in_one_mode_goes_twice_as_far():
    """Half of a taut string's load let go: each point from its place to twice its move, no further (energy, closed
    form): the reach at the load is the static move, so nothing is left beyond the range there."""
    line = carrier(100.0, 30.0)
    made = carried([line])
    move = eased(made, {("bus", "load"): 1.0}, {}).moves[0]
    at_load = move.cuts[1]

    # What stations and the steps of the energy add; what the slope lets it go along.
    assert move.beyond_m[at_load] < 0.35 * abs(float(move.rate[at_load, 2])) + 0.02


def test_the_least_energy_grows_with_a_force_as_its_point_moves():
    """What `rebound` takes for the work of a force against Simpson's rule over 60 steps of it, through a string that
    swings; and the energy let go, from below, against the same."""
    supports = (
        Support(np.array([0.0, 0.0, 20.0])),
        Support(np.array([300.0, 0.0, 22.0]), 2.0, np.array([0.0, 0.0, -800.0])),
        Support(np.array([650.0, 40.0, 25.0])),
    )
    load, stiffness = (0.0, 0.0, -15.97), 32e6
    spans = (
        (Segment(301.0, load, stiffness),),
        (Segment(105.8, load, stiffness), Segment(246.8, load, stiffness)),
    )
    way, forces = np.array([0.0, 0.6, -0.8]), np.linspace(0.0, 1500.0, 61)
    states = [settle(Section(supports, spans, ((), (way * force,)))) for force in forces]
    places = np.array([joints(state.lines[1])[1] for state in states])
    along = (places - places[0]) @ way
    work = float(simpson(along, x=forces))

    grown = states[-1].energy_J - states[0].energy_J - forces[-1] * float(way @ (places[0] - supports[2].point))
    assert grown == pytest.approx(work, rel=1e-8)
    stored = forces[-1] * along[-1] - work
    found = released_energy(states[::-1])
    assert stored < found < 1.05 * stored


def test_lines_with_loads_lose_a_neighbour_as_a_bare_section_does():
    string = {"string_m": 2.0, "string_weight_N": 600.0}
    ends = [End((0, 0, 0)), End((300, 0, 2), "suspension", **string), End((580, 0, 2), "suspension", **string)]
    ends.append(End((900, 0, 0)))
    lines = [
        Line(
            f"span {k}", ends[k], ends[k + 1], CATALOGUE.diameter_m, CATALOGUE,
            known=Known(tension_N=25000.0, weight_N_m=CATALOGUE.weight_N_m),
        )
        for k in range(3)
    ]  # fmt: skip
    made = carried(lines)
    change = parted(made, {}, 2, sudden=False)
    section, whole = loaded(made, {})
    bare = without_span(section, whole, 2, sudden=False)

    assert [move.span for move in change.moves] == [0, 1]
    for one, two in zip(change.moves, bare.moves, strict=True):
        assert at(one, 1.0) == pytest.approx(at(two, 1.0), abs=2e-3)
        assert not one.beyond_m.any()
    assert change.pulls_after_N == pytest.approx(bare.pulls_after_N, abs=30.0)


@pytest.mark.parametrize("give_m_N", [0.0, 0.2 * 100.0 / 10e3])
def test_between_two_stations_a_point_goes_no_further_than_the_larger_of_them_and_a_part(give_m_N):
    """A taut string of 100 m and 10 kN whose one end gives by a spring: held aside by 1 N a share x of it moves by
    C = x (1 - x) L / T + x^2 g, and by sqrt(2 U C) for an energy U. With that g it is most at 0.625, 2 % above what it
    is at the stations on both sides; with none it is most at the middle, a station."""
    give = np.diag([0.0, 0.0, give_m_N]) if give_m_N else None
    ends = Support(np.zeros(3)), Support(np.array([100.0, 0.0, 0.0]), give_m_N=give)
    bare = Section(ends, ((Segment(99.9, (0.0, 0.0, -0.001), 1e7),),), ((),))
    energy = 1.0
    (reach,) = reach_of(bare, settle(bare), energy, False)
    for share in np.linspace(0.3, 0.7, 17):
        true = float(np.sqrt(2.0 * energy * (share * (1.0 - share) * 100.0 / 10e3 + share**2 * give_m_N)))
        said = float(_largest(np.array([share]), reach.upright_m)[0])
        assert true <= said
        if share == 0.5:
            assert said < 1.07 * true
