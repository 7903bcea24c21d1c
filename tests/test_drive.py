"""From the logbook to advice."""

import datetime as dt
import itertools
from dataclasses import replace

import pytest

from toothcheck.advice import Seen, plan_for

pytest.importorskip("toothcheck.logbook")
from toothcheck.drive import LIMIT_NOTE, chains_due, limit_kept, situation_of
from toothcheck.logbook import Logbook
from toothcheck.stretch import Limit

TODAY = dt.date(2026, 3, 1)
LIMIT = "319.4 mm over 20 pitches @ invented manual p. 3-7"


@pytest.fixture
def book(tmp_path):
    numbers = itertools.count(1)
    with Logbook(
        tmp_path / "book.sqlite",
        now=lambda: dt.datetime(2026, 3, 1, 12, tzinfo=dt.UTC),
        new_uid=lambda: f"{next(numbers):032x}",
        create=True,
    ) as b:
        b.add(b.new("machine", machine="HRS-7", distance_km=1000.0, on_date="2025-03-01"))
        yield b


def fit(book, position, at=1000.0, on="2025-03-01", name=None, **facts):
    part = name or f"{position} part"
    book.add(
        book.new("part", part=part, position=position, ridden_km=0.0, on_date=on, **facts),
        book.new("fit", part=part, machine="HRS-7", position=position, distance_km=at, on_date=on),
    )


def grade(book, position, word, at=6000.0, on="2025-09-01", confidence=0.93):
    book.add(
        book.new(
            "reading", machine="HRS-7", part=f"{position} part", position=position, distance_km=at, on_date=on,
            grade=word, confidence=confidence, asymmetry_percent=3.0, asymmetry_std_percent=0.8,
        )
    )  # fmt: skip


def test_all_that_is_known_arrives(book):
    fit(book, "front", chain="520", teeth=15)
    fit(book, "rear", chain="520", teeth=43)
    fit(book, "chain", chain="520", links=112)
    grade(book, "front", "good")
    grade(book, "rear", "good")
    book.add(
        book.new("chain-length", machine="HRS-7", distance_km=7000.0, on_date="2026-02-01", pitches=20, length_mm=320.1,
                 length_std_mm=0.05),
        book.new("note", machine="HRS-7", text=LIMIT_NOTE + LIMIT, on_date="2026-02-01"),
    )  # fmt: skip
    s = situation_of(book.history(), "HRS-7", today=TODAY)
    assert (s.front.grade, s.front.teeth, s.front.distance_km) == ("good", 15, 6000.0)
    assert s.rear.confidence == 0.93
    assert s.size.name == "520"
    assert s.chain.links == 112
    assert s.chain.age_years == pytest.approx(1.0)
    assert s.chain.elongation_percent.value == pytest.approx(100 * (320.1 / 317.5 - 1))
    assert s.chain.limit.elongation_percent == pytest.approx(0.598, abs=0.001)
    assert plan_for(s).action == "chain-only"


def test_a_chain_fitted_after_today_is_new(book):
    # where a clock runs wrong, or has been put right: the logbook is ahead of the calendar
    fit(book, "chain", chain="520", links=112)
    s = situation_of(book.history(), "HRS-7", today=dt.date(2024, 3, 1))
    assert str(s.chain.age_years) == "0.0"
    assert chains_due(book.history(), today=dt.date(2024, 3, 1)) == {}


def test_a_length_of_the_chain_before_does_not_count(book):
    fit(book, "chain", chain="520", links=112)
    book.add(
        book.new("chain-length", machine="HRS-7", distance_km=7000.0, on_date="2025-06-01", pitches=20, length_mm=321.0)
    )
    book.add(book.new("retire", machine="HRS-7", part="chain part", distance_km=7000.0, on_date="2025-07-01"))
    fit(book, "chain", at=7000.0, on="2025-07-02", name="chain 2", chain="520", links=112)
    assert situation_of(book.history(), "HRS-7", today=TODAY).chain.elongation_percent is None


def length(book, mm, **more):
    book.add(
        book.new("chain-length", machine="HRS-7", distance_km=7000.0, on_date="2025-07-01", pitches=20, length_mm=mm,
                 **more)
    )  # fmt: skip


@pytest.mark.parametrize("named", [True, False])
def test_on_one_day_the_old_chain_keeps_its_length_and_the_new_one_has_its_own(book, named):
    fit(book, "chain", chain="520", links=112)
    length(book, 323.6, **({"part": "chain part"} if named else {}))
    book.add(book.new("retire", machine="HRS-7", part="chain part", distance_km=7000.0, on_date="2025-07-01"))
    fit(book, "chain", at=7000.0, on="2025-07-01", name="chain 2", chain="520", links=112)
    assert situation_of(book.history(), "HRS-7", today=TODAY).chain.elongation_percent is None
    length(book, 317.8, **({"part": "chain 2"} if named else {}))
    now = situation_of(book.history(), "HRS-7", today=TODAY).chain.elongation_percent
    assert now.value == pytest.approx(100 * (317.8 / 317.5 - 1))


def test_a_chain_that_was_stored_keeps_its_length_and_its_age(book):
    fit(book, "chain", chain="520", links=112)
    length(book, 318.5)
    book.add(
        book.new("remove", machine="HRS-7", part="chain part", distance_km=7000.0, on_date="2025-07-02"),
        book.new("fit", machine="HRS-7", part="chain part", position="chain", distance_km=7000.0, on_date="2026-02-01"),
    )
    chain = situation_of(book.history(), "HRS-7", today=TODAY).chain
    assert chain.elongation_percent.value == pytest.approx(100 * (318.5 / 317.5 - 1))
    assert chain.age_years == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("remark", "action"),
    [
        (None, "measure-first"), ("Rollers counted: 40", "measure-first"),  # that count is not one more
        ("Rollers counted: 41", "nothing"), ("Rollers counted: 41; long rule", "nothing"),
    ],
)  # fmt: skip
def test_a_length_over_a_long_run_counts_once_its_rollers_were_counted(book, remark, action):
    for position in ("front", "rear", "chain"):
        fit(book, position, chain="520")
    for position in ("front", "rear"):
        grade(book, position, "good", at=7000.0, on="2026-02-01")
    book.add(book.new("note", machine="HRS-7", text=LIMIT_NOTE + LIMIT, on_date="2026-02-01"))
    book.add(
        book.new("chain-length", machine="HRS-7", distance_km=7000.0, on_date="2026-02-01", pitches=40, length_mm=634.1,
                 text=remark)
    )  # fmt: skip
    history = book.history()
    plan = plan_for(situation_of(history, "HRS-7", today=TODAY))
    assert plan.action == action
    asks = action == "measure-first"
    assert any("should rollers have been counted as pitches" in reason for reason in plan.reasons) == asks
    assert any("count the rollers, too" in step for step in plan.measure_next) == asks
    assert list(chains_due(history, today=TODAY).values()) == (
        ["count of pitches not sure (2026-02-01)"] if asks else []
    )


def test_a_length_that_cannot_be_is_told_for_what_it_looks_like(book):
    for position in ("front", "rear", "chain"):
        fit(book, position, chain="520")
    grade(book, "front", "good", at=2000.0, on="2025-04-01")
    grade(book, "rear", "good", at=2000.0, on="2025-04-01")
    book.add(book.new("note", machine="HRS-7", text=LIMIT_NOTE + LIMIT, on_date="2025-05-01"))
    length(book, 305.0)  # 19 pitches of 520 are 301.6 mm
    plan = plan_for(situation_of(book.history(), "HRS-7", today=TODAY))
    assert plan.action == "measure-first"
    assert any("20 rollers" in reason for reason in plan.reasons)
    assert not any("within" in reason for reason in plan.reasons)


def test_the_newest_limit_counts_and_scrawls_are_passed_over(book):
    fit(book, "chain", chain="520", links=112)
    for i, text in enumerate(["318 mm over 20 @ manual p. 1", LIMIT, "ask the dealer"]):
        book.add(book.new("note", machine="HRS-7", text=LIMIT_NOTE + text, on_date=f"2025-05-0{i + 1}"))
    history = book.history()
    kept = limit_kept(history.machines["HRS-7"], situation_of(history, "HRS-7", today=TODAY).size)
    assert kept == Limit.parse(LIMIT, pitch_mm=15.875)
    assert Limit.parse(kept.text(), pitch_mm=15.875) == kept


def test_what_was_seen_long_ago_comes_with_its_day_and_distance(book):
    for position, teeth in (("front", 15), ("rear", 43), ("chain", None)):
        fit(book, position, chain="520", teeth=teeth)
    grade(book, "front", "good", at=2000.0, on="2025-04-01")
    grade(book, "rear", "replace-now", at=2000.0, on="2025-04-01")
    grade(book, "rear", "cannot-tell", at=2100.0, on="2025-04-02", confidence=0.3)
    book.add(
        book.new("chain-length", machine="HRS-7", part="chain part", distance_km=2500.0, on_date="2025-04-10",
                 pitches=20, length_mm=317.7, length_std_mm=0.05),
        book.new("note", machine="HRS-7", text="read", distance_km=32000.0, on_date="2026-02-01"),
    )  # fmt: skip
    s = situation_of(book.history(), "HRS-7", today=TODAY)
    assert s.front.seen == Seen(on="2025-04-01", part_km=1000.0, since_km=30000.0, unread_days=28)
    assert (s.front.grade_now, s.front.distance_km) == ("cannot-tell", 31000.0)
    assert (s.rear.grade, s.rear.grade_now, s.rear.untold_on) == ("replace-now", "replace-now", "2025-04-02")
    assert s.chain.seen == Seen(on="2025-04-10", part_km=1500.0, since_km=29500.0, unread_days=28)
    assert plan_for(s).action == "set"


def test_a_chain_does_not_run_on_the_shelf(book):
    fit(book, "chain", chain="520", links=112)
    length(book, 318.5, part="chain part")
    off = {"machine": "HRS-7", "part": "chain part"}
    book.add(
        book.new("remove", distance_km=7000.0, on_date="2025-07-02", **off),
        book.new("fit", position="chain", distance_km=15000.0, on_date="2026-02-01", **off),
    )
    seen = situation_of(book.history(), "HRS-7", today=TODAY).chain.seen
    assert (seen.part_km, seen.since_km) == (6000.0, 0.0)


def test_a_milder_photo_does_not_take_back_replace_now(book):
    for position in ("front", "rear", "chain"):
        fit(book, position, chain="520")
    length(book, 318.0)
    book.add(book.new("note", machine="HRS-7", text=LIMIT_NOTE + LIMIT, on_date="2025-07-01"))
    grade(book, "front", "replace-now", at=7000.0)
    grade(book, "rear", "good", at=7000.0)
    grade(book, "front", "good", at=7000.0, on="2025-09-02")
    s = situation_of(book.history(), "HRS-7", today=dt.date(2025, 9, 3))
    plan = plan_for(s)
    assert (plan.action, plan.before_next_ride) == ("set", True)
    assert "Two readings of the front sprocket disagree" in plan.headline
    assert any("replace-now on 2025-09-01" in r and "good on 2025-09-02" in r for r in plan.reasons)
    assert any("--withdraw" in step for step in plan.measure_next)
    book.withdraw(book.entries()[-3].number, "dirt, not a broken tooth")
    plan = plan_for(situation_of(book.history(), "HRS-7", today=dt.date(2025, 9, 3)))
    assert plan.action == "nothing"


def test_a_chain_beyond_its_limit_stays_so_on_another_machine_and_after_a_shorter_length(book):
    fit(book, "chain", chain="520", links=112)
    length(book, 320.4)
    book.add(
        book.new("remove", machine="HRS-7", part="chain part", distance_km=7000.0, on_date="2025-07-02"),
        book.new("machine", machine="HRS-8", distance_km=100.0, on_date="2025-07-02"),
        book.new("fit", machine="HRS-8", part="chain part", position="chain", distance_km=100.0, on_date="2025-07-02"),
        book.new("note", machine="HRS-8", text=LIMIT_NOTE + LIMIT, distance_km=600.0, on_date="2025-07-20"),
    )
    day = dt.date(2025, 7, 20)
    assert situation_of(book.history(), "HRS-7", today=day).chain.elongation_percent is None
    chain = situation_of(book.history(), "HRS-8", today=day).chain
    assert chain.decision.side == "beyond"
    assert (chain.seen.on, chain.seen.part_km, chain.seen.since_km) == ("2025-07-01", 6000.0, 500.0)
    assert "BEYOND" in chains_due(book.history(), today=day)["HRS-8"]

    def shorter(mm):
        book.add(
            book.new("chain-length", machine="HRS-8", distance_km=700.0, on_date="2025-07-21", pitches=20, length_mm=mm)
        )
        return situation_of(book.history(), "HRS-8", today=dt.date(2025, 7, 21)).chain

    chain = shorter(320.2)  # within what a rule reads to
    assert (chain.dispute, chain.seen.on) == (None, "2025-07-21")
    chain = shorter(318.0)
    assert (chain.decision.side, chain.seen.on) == ("beyond", "2025-07-01")
    assert "later 0.16 ± 0.09 % on 2025-07-21" in chain.dispute.sentence
    assert "disagrees" in chains_due(book.history(), today=day)["HRS-8"]
    plan = plan_for(situation_of(book.history(), "HRS-8", today=day))
    assert any("measure" in step.lower() and "--withdraw" in step for step in plan.measure_next)


def test_parts_of_different_chain_sizes_are_told_before_anything_else(book):
    fit(book, "front", chain="428", teeth=14)
    fit(book, "rear", chain="520", teeth=43)
    fit(book, "chain", chain="520", links=112)
    length(book, 318.0)
    book.add(book.new("note", machine="HRS-7", text=LIMIT_NOTE + LIMIT, on_date="2025-07-01"))
    grade(book, "front", "good", at=7000.0)
    grade(book, "rear", "good", at=7000.0)
    s = situation_of(book.history(), "HRS-7", today=dt.date(2025, 9, 3))
    assert "front sprocket 428, rear sprocket 520, chain 520" in s.clash
    plan = plan_for(s)
    assert plan.action == "measure-first"
    assert s.clash in plan.reasons
    worn = replace(s, rear=replace(s.rear, grade="replace-set"))
    assert plan_for(worn).action == "set"
    assert "sizes" in plan_for(worn).headline
    assert situation_of(book.history(), "HRS-7", today=TODAY, size=s.size).clash is not None


def test_little_known_asks_for_more(book):
    fit(book, "front", chain="428", teeth=14)
    s = situation_of(book.history(), "HRS-7", today=TODAY)
    assert s.front.grade == "cannot-tell"
    assert s.rear is None
    plan = plan_for(s)
    assert plan.action == "measure-first"
    assert len(plan.measure_next) >= 3


def test_an_unknown_machine_is_named(book):
    with pytest.raises(ValueError, match="HRS-7"):
        situation_of(book.history(), "HRS-8", today=TODAY)
