"""The benchmark's book-keeping; no time is judged here."""

import pytest

from toothcheck import bench, inspection
from toothcheck.photo import decode
from toothcheck.synthetic import Part
from toothcheck.tracing import trace as tracing


@pytest.fixture(scope="module")
def case():
    return bench.made_case("small", Part(chain="520", teeth=13), size_px=(1600, 1200), distance_mm=250.0)


def test_stages_account_for_the_whole_and_calls_are_given_back(case):
    before = tracing.follow, inspection.inspect, bench.decode
    timing = bench.timed(case, runs=1)
    assert (tracing.follow, inspection.inspect, bench.decode) == before
    assert sum(timing.stages.values()) == pytest.approx(1, abs=0.02)
    for stage in (
        "decode",
        "markers",
        "pose",
        "search",
        "placing and counting",
        "claims",
        "photo quality",
        "datum and measures",
        "grade",
    ):
        assert timing.stages[stage] >= 0
    assert {f"sweep {k} {what}" for k in range(1, 7) for what in ("follow", "locate", "fit")} <= set(timing.stages)
    assert timing.ratio > 1
    assert timing.peak_mb > 20
    text = bench.report(timing)
    assert text.startswith("small: whole / (decode + markers) = ")
    assert all(name in text for name in timing.stages)


def test_the_photo_that_is_timed_is_one_that_can_be_inspected(case):
    found = inspection.inspect(decode(case.encoded, "made.jpg"), case.claim)
    assert found.verdict.grade == "good"
    assert found.photo.width_px == 1600


def test_no_runs_are_refused(case):
    with pytest.raises(ValueError, match="runs must be at least 1, not 0"):
        bench.timed(case, runs=0)
