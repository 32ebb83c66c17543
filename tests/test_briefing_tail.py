"""What the briefing says of a tail: how far it goes, what holds it; and the site of a job without ladder and crew."""

from __future__ import annotations

import numpy as np
import pytest
from small_scenes import lashed, scene, stage
from test_job_whip import guides, lowering, rope

from clearance.report.briefing_figures import Scenery, site_figure
from clearance.report.briefing_words import range_sentences, stage_conditions


def sentences(said, **told):
    made = scene(**lowering(held=[said], **told))
    return list(range_sentences(made, made.stages[0]))


@pytest.mark.parametrize(
    ("said", "words"), [(lashed("dropper", 0.35), "further than 0.35 m"), (guides(0.5), "further than 0.50 m beside"),
                        (rope(3.5), ", 3.50 m at most")])  # fmt: skip
def test_each_way_of_holding_a_tail_has_its_figure(said, words):
    made = scene(**lowering(held=[said]))
    (found,) = [one for one in stage_conditions(made, made.stages[0]) if "is held by" in one]
    assert words in found
    assert "0.00 m" not in found


def test_the_way_of_a_free_end_is_told_to_the_millimetre():
    told = stage(kind="lower", released=["dropper"], lower_m=[2.6, 2.8273504766], workers=[], travel_m=None,
                 climb_m=None, posture=None)  # fmt: skip
    found = [one for one in sentences(guides(), stages=[told]) if one.startswith("Free end")]
    assert found == ["Free end of dropper between 2.60 m and 2.827 m of its way."]


def test_a_site_without_ladder_and_crew_is_drawn():
    assert "<svg" in site_figure("plan", Scenery((), (), (), np.array([1.0, 0.0, 0.0])), np.zeros((0, 4)), "")
