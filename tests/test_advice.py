"""One plan from the evidence."""

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toothcheck.advice import (
    LENGTH_HOLDS_KM,
    PHOTO_HOLDS_KM,
    UNREAD_DAYS,
    ChainState,
    Dispute,
    Halt,
    Seen,
    Situation,
    SprocketState,
    links_doubt,
    meshing,
    plan_for,
    roller_lift_mm,
)
from toothcheck.chains import chain
from toothcheck.estimate import Estimate
from toothcheck.grade import ALL_GRADES, GRADES
from toothcheck.stretch import Limit

LIMIT = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="manual p. 3-7")  # 0.60 %


def sprocket(grade="good", confidence=0.95, teeth=15, **more):
    return SprocketState(grade=grade, confidence=confidence, teeth=teeth, **more)


def drive(front="good", rear="good", percent=0.2, adjuster=80.0, **chain_more):
    return Situation(
        front=None if front is None else sprocket(front, teeth=15) if isinstance(front, str) else front,
        rear=None if rear is None else sprocket(rear, teeth=43) if isinstance(rear, str) else rear,
        chain=ChainState(
            elongation_percent=None if percent is None else Estimate(value=percent, std=0.02),
            **{"limit": LIMIT, "links": 112, **chain_more},
        ),
        size=chain("520"),
        adjuster_left_percent=adjuster,
    )


@pytest.mark.parametrize(
    ("situation", "action", "now"),
    [
        (drive(), "nothing", False),
        (drive(front="watch"), "watch", False),
        (drive(percent=0.5), "watch", False),  # most of its limit used
        (drive(adjuster=10.0), "watch", False),
        (drive(front="replace-set"), "set", False),
        (drive(rear="replace-set", percent=None), "set", False),
        (drive(front="replace-now"), "set", True),
        (drive(front=None, rear="replace-now", percent=None, adjuster=None), "set", True),
        (drive(percent=1.2), "chain-only", True),
        (drive(percent=0.59), "chain-only", False),  # too near to tell is treated as due
        (drive(adjuster=0.0), "chain-only", True),
        (drive(stiff_or_uneven=True), "chain-only", True),
        (drive(damaged=True), "chain-only", True),
        (drive(percent=1.2, front="watch"), "set", True),
        (drive(percent=1.2, rear="watch"), "set", True),
        (drive(percent=1.2, front=None), "measure-first", True),
        (drive(percent=1.2, front="cannot-tell"), "measure-first", True),
        (drive(percent=1.2, front=sprocket("good", 0.6)), "measure-first", True),
        (drive(percent=1.2, front=sprocket(distance_km=30000), distance_km=15000), "set", True),
        (drive(percent=1.2, front=sprocket(distance_km=15000), distance_km=15000), "chain-only", True),
        (drive(percent=None), "measure-first", False),
        (drive(percent=-3.94), "measure-first", False),  # 20 rollers for 20 pitches: no reading at all
        (drive(percent=25.5), "measure-first", False),
        (drive(percent=-3.0, front="watch"), "measure-first", False),
        (drive(percent=-3.0, front="replace-now"), "set", True),
        (drive(percent=25.5, damaged=True), "chain-only", True),
        (drive(percent=0.2, limit=None), "measure-first", False),
        (Situation(), "measure-first", False),
        (drive(front=None, percent=0.5), "measure-first", False),  # on its way, but the front was not seen
        (drive(front=None, rear="watch"), "watch", False),
    ],
)
def test_plans(situation, action, now):
    plan = plan_for(situation)
    assert plan.action == action, plan.headline
    assert plan.before_next_ride == now
    assert plan.reasons
    assert plan.cautions
    if action == "measure-first":
        assert plan.measure_next


@pytest.mark.parametrize("front", ["good", "watch", "replace-set", None])
@pytest.mark.parametrize(
    ("chain", "why"),
    [
        ({"percent": 1.2}, "the chain is beyond its limit"),
        ({"adjuster": 0.0}, "the adjuster is at its end"),
        ({"stiff_or_uneven": True}, "the chain has stiff links or a tight and a slack part"),
        ({"damaged": True}, "the chain is damaged"),
        ({"damaged": True, "percent": 1.2}, "the chain is damaged and the chain is beyond its limit"),
    ],
)
def test_what_the_cautions_forbid_to_ride_on_is_renewed_before_the_next_ride(front, chain, why):
    plan = plan_for(drive(front=front, **chain))
    assert plan.before_next_ride
    assert "before the next ride" in plan.headline
    assert why in plan.headline
    near = plan_for(drive(front=front, percent=0.59))  # it may be within its limit
    assert not near.before_next_ride
    assert "before the next ride" not in near.headline


@pytest.mark.parametrize(("renew", "now"), [("next-opportunity", False), ("before-next-ride", True)])
@pytest.mark.parametrize("rear", ["good", None, "watch", "replace-set"])
def test_parts_are_renewed_where_every_likely_grade_asks_for_it(renew, now, rear):
    plan = plan_for(drive(front=sprocket("cannot-tell", 0.45, renew=renew), rear=rear))
    assert (plan.action, plan.before_next_ride) == ("set", now)
    assert ("may be replace-now" in plan.headline) == now
    assert any("whichever of the likely grades it is" in reason for reason in plan.reasons)


def halted(grade, **more):
    return sprocket(grade, halt=Halt(teeth=(7,)), **more)


@pytest.mark.parametrize(
    ("situation", "action"),
    [
        (drive(front=halted("cannot-tell"), rear="watch"), "measure-first"),
        (drive(front=halted("cannot-tell", confidence=0.4), rear=None), "measure-first"),
        (drive(front=halted("good")), "measure-first"),
        (drive(front=halted("good"), percent=1.2), "measure-first"),
        (drive(front=halted("watch"), percent=1.2), "set"),
        (drive(front=halted("cannot-tell"), rear="replace-set"), "set"),
    ],
)
def test_a_tooth_that_may_be_broken_comes_before_everything(situation, action):
    plan = plan_for(situation)
    assert (plan.action, plan.before_next_ride) == (action, True)
    first = "Do not ride until a qualified mechanic has looked at tooth 7 of the front sprocket."
    assert plan.headline.startswith(first)
    assert "Nothing to renew" not in plan.headline
    assert any(step.startswith("Have a qualified mechanic look at tooth 7") for step in plan.measure_next)
    assert not any("Photograph the front" in step for step in plan.measure_next)  # that does not settle it


def seen(km, days=0):
    return Seen(on="2025-03-01", part_km=1000.0, since_km=float(km), unread_days=days)


FRESH, OLD, UNREAD = seen(PHOTO_HOLDS_KM), seen(PHOTO_HOLDS_KM + 1), seen(0, UNREAD_DAYS + 1)


@pytest.mark.parametrize(
    ("situation", "action", "asks"),
    [
        (drive(front=sprocket(seen=FRESH)), "nothing", ""),
        (drive(front=sprocket(seen=OLD)), "measure-first", "Photograph the front sprocket again"),
        (drive(front=sprocket(seen=UNREAD)), "measure-first", "Photograph the front sprocket again"),
        (drive(rear=sprocket(seen=OLD), percent=1.2), "measure-first", "Photograph the rear sprocket again"),
        (drive(front=sprocket("watch", seen=OLD)), "measure-first", "Photograph the front sprocket again"),
        (drive(front=sprocket("watch", seen=OLD), percent=1.2), "set", "Photograph the front sprocket again"),
        (drive(front=sprocket("replace-set", seen=OLD)), "set", ""),
        (drive(front=sprocket("replace-now", seen=UNREAD)), "set", ""),
        (drive(front=sprocket(untold_on="2025-04-01")), "measure-first", "Photograph the front sprocket again"),
        (drive(front=sprocket("replace-now", untold_on="2025-04-01")), "set", ""),
        (drive(seen=seen(LENGTH_HOLDS_KM)), "nothing", ""),
        (drive(seen=seen(LENGTH_HOLDS_KM + 1)), "measure-first", "elongation again"),
        (drive(seen=UNREAD), "measure-first", "elongation again"),
        (drive(percent=0.5, seen=OLD), "measure-first", "elongation again"),  # on its way when it was measured
        (drive(percent=1.2, seen=OLD), "chain-only", ""),  # no chain gets shorter
        (drive(front="watch", seen=OLD), "watch", "elongation again"),
    ],
)
def test_what_was_seen_too_long_ago_counts_only_where_it_was_worn(situation, action, asks):
    plan = plan_for(situation)
    assert plan.action == action, plan.headline
    if asks:
        assert any(asks in words for words in plan.measure_next)
        assert "Nothing to renew" not in plan.headline
    else:
        assert not any(" again" in words for words in plan.measure_next)


def test_the_day_and_the_distance_of_what_was_seen_are_said():
    def miles(km):
        return f"{km / 1.609344:.0f} miles"

    front = sprocket(seen=seen(8046.72), distance_km=9046.72, untold_on="2025-06-01")
    plan = plan_for(drive(front=front, seen=seen(200)), far=miles)
    said = " ".join(plan.reasons)
    assert "Front sprocket: good on 2025-03-01 after 621 miles" in said
    assert "has run 5621 miles by now" in said
    assert "5000 miles were ridden since" in said
    assert "of 2025-06-01, could not tell" in said
    assert "The chain was measured on 2025-03-01 after 621 miles." in said
    assert "km" not in said
    unread = " ".join(plan_for(drive(front=sprocket(seen=UNREAD))).reasons)
    assert f"read last {UNREAD_DAYS + 1} days ago" in unread


ORDER = {"nothing": 0, "watch": 1, "chain-only": 2, "measure-first": 2, "set": 3}


def test_more_wear_never_softens_the_plan():
    for rear, percent in itertools.product(["good", "watch", "replace-set"], [0.1, 0.5, 1.2]):
        ranks = [ORDER[plan_for(drive(front=g, rear=rear, percent=percent)).action] for g in GRADES]
        assert ranks == sorted(ranks)
    for front, rear in itertools.product(["good", "watch", "replace-set"], repeat=2):
        ranks = [ORDER[plan_for(drive(front=front, rear=rear, percent=p)).action] for p in (0.1, 0.5, 0.61, 1.2)]
        assert ranks == sorted(ranks)


@given(
    st.sampled_from([None, *ALL_GRADES]),
    st.sampled_from([None, *ALL_GRADES]),
    st.one_of(st.none(), st.floats(-0.2, 3)),
    st.one_of(st.none(), st.floats(0, 100)),
    st.booleans(),
)
def test_parts_are_kept_only_on_full_evidence(front, rear, percent, adjuster, has_limit):
    plan = plan_for(drive(front, rear, percent, adjuster, limit=LIMIT if has_limit else None))
    if plan.action in {"nothing", "chain-only"}:
        assert front == rear == "good"
    if plan.action == "nothing":
        assert percent is not None
        assert has_limit
    if "replace-now" in (front, rear):
        assert plan.action == "set"
        assert plan.before_next_ride


def test_nothing_is_said_to_be_well_that_was_not_seen():
    for situation in (
        drive(front=None, rear="watch"),
        drive(front="watch", percent=None),
        drive(rear="watch", limit=None),
    ):
        assert "Nothing to renew" not in plan_for(situation).headline
    assert "Nothing to renew" in plan_for(drive(front="watch")).headline


def test_front_teeth_meet_a_roller_more_often():
    # common practice, no source: 17 and 41 teeth, 41/17 = 2.41
    plan = plan_for(Situation(front=sprocket(teeth=17), rear=sprocket(teeth=41)))
    assert "41/17 = 2.41" in " ".join(plan.notes)


@pytest.mark.parametrize(("rear", "said"), [(None, "are graded."), (sprocket(confidence=0.7, teeth=43), "are surely ")])
def test_a_sprocket_that_is_graded_is_not_said_to_be_ungraded(rear, said):
    plan = plan_for(drive(rear=rear, percent=1.2))
    assert plan.action == "measure-first"
    assert f"before both {said}" in plan.headline


def test_the_smaller_sprocket_wears_first_wherever_it_sits():
    # same rule: the teeth of the smaller one meet a roller more often; on a bicycle that is the rear
    plan = plan_for(Situation(front=sprocket(teeth=44), rear=sprocket(teeth=16)))
    note = next(n for n in plan.notes if "meets a roller" in n)
    assert note.startswith("Why the rear wears first: each of its 16 teeth meets a roller 44/16 = 2.75 times as often")
    assert "exchanged" in note
    alike = plan_for(Situation(front=sprocket(teeth=20), rear=sprocket(teeth=20)))
    assert "wears first" not in " ".join(alike.notes)


@pytest.mark.parametrize(("links", "asked"), [(111, True), (112, False)])
def test_an_odd_number_of_links_is_asked_about(links, asked):
    # common practice: inner and outer links take turns, so an odd number closes only with a cranked link
    text = " ".join(plan_for(drive(links=links)).notes)
    assert (f"{links} links: an odd number closes only with a cranked (half) link" in text) == asked


def wraps(centre_pitches, z1, z2):
    """Links of a chain round two sprockets, by plane geometry: two tangents and two arcs of the pitch circles."""
    small, large = sorted((z1, z2))
    r, R = (0.5 / math.sin(math.pi / z) for z in (small, large))
    lean = math.asin((R - r) / centre_pitches)
    tangents = 2 * math.sqrt(centre_pitches**2 - (R - r) ** 2)
    return tangents + small * (0.5 - lean / math.pi) + large * (0.5 + lean / math.pi)


@pytest.mark.parametrize(("front", "rear"), [(15, 45), (13, 53), (17, 38), (45, 15)])
def test_links_that_cannot_go_round_both_sprockets_or_go_far_beyond_are_asked_about(front, rear):
    touching = sum(0.5 / math.sin(math.pi / z) for z in (front, rear))
    few, many = wraps(touching, front, rear), wraps(150, front, rear)
    for links, said in (
        (2 * math.floor(few / 2 - 1), f"too few to go round {front} and {rear} teeth"),
        (2 * math.ceil(few / 2 + 1), None),
        (2 * math.floor(many / 2 - 1), None),
        (2 * math.ceil(many / 2 + 1), f"far more than go round {front} and {rear} teeth"),
        (100_000, "far more than"),
        (2, "too few"),
    ):
        doubt = links_doubt(links, [front, rear])
        assert (doubt is None) if said is None else doubt.startswith(said)
    # one sprocket alone says nothing of it
    assert links_doubt(20, [front]) is None


def test_doubtful_links_are_asked_about_in_the_plan():
    there = Situation(front=sprocket(teeth=15), rear=sprocket(teeth=45), chain=ChainState(links=20))
    assert "20 links: too few to go round 15 and 45 teeth; count again, and the teeth." in plan_for(there).notes


def test_hunting_tooth():
    # our own arithmetic
    assert meshing(15, 112).common_factor == 1
    assert meshing(15, 112).turns_to_repeat == 112
    assert "every tooth meets every link (again after 112 turns)" in meshing(15, 112).sentence()
    even = meshing(16, 112)
    assert even.common_factor == 16
    assert even.turns_to_repeat == 7
    assert "alternate teeth" in even.sentence()
    assert "share the factor 16: each tooth meets only 7 of the links" in even.sentence()
    assert "alternate" not in meshing(15, 110).sentence()
    assert meshing(15, 110).common_factor == 5


@given(st.integers(7, 150), st.integers(40, 180))
def test_meshing_counts_what_really_meets(teeth, links):
    met = {(k * teeth) % links for k in range(links)}  # links that tooth 0 meets, turn after turn
    m = meshing(teeth, links)
    assert len(met) == m.turns_to_repeat == links // m.common_factor


def test_what_is_not_known_of_each_part_is_asked_for_by_its_name():
    plan = plan_for(drive(front=None, rear=None, adjuster=None))
    assert "Photograph the front sprocket (take its cover off) and grade it (toothcheck inspect)." in plan.measure_next
    assert "Photograph the rear sprocket and grade it (toothcheck inspect)." in plan.measure_next
    assert any(step.startswith("Look how much of the adjuster's travel is left") for step in plan.measure_next)
    assert not any("adjuster" in step for step in plan_for(drive()).measure_next)
    said = plan_for(drive(front="watch")).reasons
    assert any(r.startswith("Front sprocket: watch, 15 teeth, ") for r in said)
    assert any(r.startswith("Rear sprocket: good, 43 teeth, ") for r in said)


def test_readings_that_contradict_each_other_are_said_in_the_headline_and_only_then():
    dispute = Dispute(sentence="One reading says so, a later one does not.", remedy="Photograph it again.")
    for name in ("front", "rear"):
        headline = plan_for(drive(**{name: sprocket("watch", dispute=dispute)})).headline
        assert f"Two readings of the {name} sprocket disagree and the worse one counts" in headline
    assert "Two readings of the chain disagree" in plan_for(drive(dispute=dispute)).headline
    assert "disagree" not in plan_for(drive(front="watch")).headline


@pytest.mark.parametrize(
    ("situation", "action", "first"),
    [
        (drive(front=sprocket(chain_size="428")), "measure-first", "Chain and sprockets are of different sizes"),
        (drive(front=sprocket("watch", chain_size="428")), "measure-first", "Chain and sprockets are of different siz"),
        (drive(front=sprocket("replace-set", chain_size="428")), "set", "Renew"),
    ],
)
def test_sizes_that_do_not_match_leave_nothing_as_it_is(situation, action, first):
    # ISO 606 and vendors' tables: 428 and 520 differ in pitch and in roller
    plan = plan_for(replace(situation, chain=replace(situation.chain, size="520")))
    assert plan.action == action
    assert plan.headline.startswith(first)
    assert "sizes" in plan.headline


def test_how_much_higher_a_long_chain_rides_is_said_for_each_sprocket():
    # our own arithmetic, e·R at p 15.875: R of 15 teeth 38.178 mm, of 45 teeth 113.789 mm
    worn = drive(front="replace-set", rear=sprocket(teeth=45), percent=1.0)
    assert "This chain rides 0.38 mm on 15 teeth and 1.14 mm on 45 teeth higher" in " ".join(plan_for(worn).notes)
    assert "This chain rides" not in " ".join(plan_for(drive(front="replace-set", percent=0.0)).notes)


@pytest.mark.parametrize(("teeth", "lift"), [(15, 0.38), (45, 1.14)])
def test_a_chain_longer_by_one_per_cent_rides_higher(teeth, lift):
    # our own arithmetic: e·R at p 15.875
    got = roller_lift_mm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=teeth, elongation_percent=1.0)
    assert got == pytest.approx(lift, abs=0.005)


@pytest.mark.parametrize(
    "make",
    [
        lambda: SprocketState(grade="fine"),
        lambda: SprocketState(grade="good", confidence=1.5),
        lambda: SprocketState(grade="good", teeth=3),
        lambda: SprocketState(grade="good", distance_km=-1),
        lambda: ChainState(links=2),
        lambda: ChainState(age_years=-1),
        lambda: ChainState(age_years=float("nan")),
        lambda: Situation(adjuster_left_percent=120),
        lambda: meshing(0, 112),
        lambda: Seen(on="2025-03-01", since_km=-1.0),
    ],
)
def test_bad_values_are_refused(make):
    with pytest.raises(ValueError, match="must"):
        make()


@pytest.mark.parametrize(("percent", "action"), [(0.3, "watch"), (0.7, "measure-first"), (2.9, "measure-first")])
def test_a_long_chain_without_its_limit_is_not_merely_watched(percent, action):
    # four published service manuals print limits from 0.6 to 2 % (`toothcheck.stretch.published`)
    watched = SprocketState(grade="watch", confidence=0.95)
    chain = ChainState(elongation_percent=Estimate(value=percent, std=0.05))
    plan = plan_for(Situation(front=watched, rear=watched, chain=chain, adjuster_left_percent=60))
    assert plan.action == action
    assert ("limits from 0.6 to 2.0 %" in " ".join(plan.reasons)) == (action == "measure-first")
    assert any("--limit" in step for step in plan.measure_next)
