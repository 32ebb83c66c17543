"""The scaled body against the 2012 Anthropometric Survey of U.S. Army Personnel (ANSUR II, Natick/TR-15/007)."""

import pytest

from clearance.bodies.worker import SPREAD_M, build

# Percentiles 50, 95 and 99 [m], from the survey's public data (4082 men, 1986 women). The standing overhead fingertip
# height is stature less sitting height plus sitting overhead reach, per person; arm is acromion-radiale +
# radiale-stylion + hand.
TABLE = {
    "man": {
        "stature_m": (1.755, 1.870, 1.927),
        "span_m": (1.812, 1.957, 2.029),
        "overhead_reach_m": (2.263, 2.438, 2.518),
        "arm_m": (0.796, 0.861, 0.892),
        "shoulder_height_m": (1.439, 1.546, 1.596),
        "biacromial_m": (0.415, 0.447, 0.463),
        "crotch_height_m": (0.845, 0.925, 0.960),
        "hand_m": (0.193, 0.210, 0.218),
        "foot_m": (0.271, 0.293, 0.302),
    },
    "woman": {
        "stature_m": (1.626, 1.740, 1.778),
        "span_m": (1.657, 1.803, 1.860),
        "overhead_reach_m": (2.078, 2.253, 2.306),
        "arm_m": (0.731, 0.800, 0.824),
        "shoulder_height_m": (1.332, 1.434, 1.473),
        "biacromial_m": (0.365, 0.396, 0.406),
        "crotch_height_m": (0.780, 0.857, 0.888),
        "hand_m": (0.180, 0.199, 0.207),
        "foot_m": (0.246, 0.268, 0.276),
    },
}
ROWS = [(sex, name) for sex, rows in TABLE.items() for name in rows]


@pytest.mark.parametrize(("sex", "name"), ROWS)
def test_median_is_the_survey(sex, name):
    assert getattr(build(sex=sex, percentile=50), name) == pytest.approx(TABLE[sex][name][0], abs=1e-12)


@pytest.mark.parametrize(("sex", "name"), ROWS)
@pytest.mark.parametrize("index", [1, 2])
def test_large_body_reaches_what_large_people_reach_within_the_spread(sex, name, index):
    # One body scaled by stature is a little short of the percentile of each part taken alone. The difference of
    # anything on one side of the body (half of span and shoulders) must be covered by the uncertainty that every
    # part has.
    body = build(sex=sex, percentile=(50, 95, 99)[index])
    share = 0.5 if name in ("span_m", "biacromial_m") else 1.0
    assert abs(TABLE[sex][name][index] - getattr(body, name)) * share <= SPREAD_M


def test_spread_is_not_larger_than_the_survey_asks():
    missing = max(
        (TABLE[sex][name][2] - getattr(build(sex=sex, percentile=99), name)) * (0.5 if name == "span_m" else 1.0)
        for sex in TABLE
        for name in ("span_m", "overhead_reach_m", "arm_m")
    )
    assert 0.9 * SPREAD_M < missing <= SPREAD_M


def test_no_part_of_another_percentile_is_added():
    # The tallest man of the survey is 1.993 m, the longest span 2.121 m, on different men: the scaled body stays below.
    body = build(1.993)
    assert body.span_m < 2.121
    assert body.span_m / body.stature_m == pytest.approx(1.812 / 1.755)


@pytest.mark.parametrize("sex", ["man", "woman"])
def test_joints_reproduce_span_and_overhead_reach(sex):
    body = build(sex=sex, percentile=50)
    assert 2 * (body.shoulder_half_m + body.arm_m) == pytest.approx(TABLE[sex]["span_m"][0])
    assert body.shoulder_raised_m + body.arm_m == pytest.approx(TABLE[sex]["overhead_reach_m"][0])
    # The raised joint is above the acromion, by less than a shoulder can rise (about 0.1 m, from memory).
    assert 0 < body.shoulder_raised_m - body.shoulder_height_m < 0.1


def test_without_a_sex_the_longer_reaches_are_taken():
    plain, woman = build(1.75), build(1.75, sex="woman")
    for name in ("span_m", "overhead_reach_m", "arm_m"):
        assert getattr(plain, name) > getattr(woman, name)
