"""A fixed handful of the cohorts of `null_cohorts.py`, from image files to sentence. Motion that does nothing is not
found, although it is where all children count alike; motion that does something stands out more."""

import pytest

import null_cohorts

COHORTS = 12
MOST = 3  # of 12 at 5 %: more than 3 come by chance in 2 campaigns of 1,000
BOTH = ["variance", "equal"]


def stacked(keepstill, cohorts, **conditions):
    """The lines of some cohorts of 40 children, by weights."""
    conditions = null_cohorts.Conditions(children=40, **conditions)
    lines = list(null_cohorts.campaign(keepstill.path, conditions, BOTH, cohorts, seed=13, jobs=2))
    lines.sort(key=lambda line: line["cohort"])
    return {weights: [line for line in lines if line["weights"] == weights] for weights in BOTH}


@pytest.fixture(scope="module")
def nothing(keepstill):
    return stacked(keepstill, COHORTS)


def test_motion_that_does_nothing_is_not_found(nothing):
    found = null_cohorts.counts(nothing["variance"])
    del found["Perhaps"]  # says that it may be chance
    assert max(found.values()) <= MOST, found
    edges = [line[f"{of}_share_p"] for line in nothing["variance"] for of in ("qcfc", "qcfc_adjusted", "test")]
    assert 0.03 < sum(edges) / len(edges) < 0.07


def test_it_is_found_where_all_children_count_alike(nothing):
    """Else the cohorts were too easy, and the test above could not fail."""
    found = null_cohorts.counts(nothing["equal"])
    del found["Perhaps"]
    assert min(found.values()) > MOST, found


def test_children_who_differ_in_truth(keepstill):
    found = null_cohorts.counts(stacked(keepstill, 6, between=0.1)["variance"])
    del found["Perhaps"]
    assert max(found.values()) <= 2, found


def test_motion_that_does_something_stands_out_more(keepstill):
    """Not by the number of findings: with equal weights p values are too small, and findings come cheap."""
    lines = stacked(keepstill, 6, between=0.05, planted=0.08)
    for weighted, equal in zip(lines["variance"], lines["equal"]):
        assert weighted["cohort"] == equal["cohort"]
        assert weighted["planted_found"] > 0 and weighted["sentence"].startswith("Motion is in the result"), weighted
        assert weighted["planted_stands_out"] > equal["planted_stands_out"]
        assert weighted["elsewhere_error"] < 0.95 * equal["elsewhere_error"]
