"""What remaining wires do when a load or a span goes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor.change_of_state import Linear
from clearance.conductor.elastic import polyline
from clearance.conductor.released import OVERSHOOT, at, changed, without_span
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
def test_every_state_between_is_within_slack(share, gone):
    """The span's pull taken away in part: the equilibrium solved afresh lies within slack of the linear move."""
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
            <= move.slack_m + np.abs(move.rate).max() / 201
        )


def test_a_worker_who_leaves_lets_the_span_rise():
    line = rail()
    loaded = at_state(line, 15.0, hung=[[], [(0.5, (0, 0, -1200.0))], []])
    bare, _ = at_state(line, 15.0, hung=[[], [(0.5, (0, 0, 0.0))], []])
    change = changed(loaded, bare)
    middle = change.moves[1]

    assert middle.rate[len(middle.rate) // 2, 2] > 0.3
    assert change.moves[0].rate[len(change.moves[0].rate) // 2, 2] < 0, "its neighbour sags as the strings swing back"
    assert middle.range_1 == (0.0, OVERSHOOT)
    assert changed(loaded, bare, sudden=False).moves[1].range_1 == (0.0, 1.0)
    # After the release the section is as if never loaded.
    assert middle.pull_after_N == pytest.approx(25000.0, rel=5e-3)


def test_what_is_not_there_cannot_go():
    section, settled = at_state(rail(), 15.0)
    with pytest.raises(InputError, match="a span from 0 to 2"):
        without_span(section, settled, 3)
