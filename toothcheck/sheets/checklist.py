"""The work checklist: the order of work and its usual cautions, with torques only as typed from the manual."""

from __future__ import annotations

import re
from collections.abc import Sequence

from toothcheck.advice import Action, Plan
from toothcheck.sheets.sheet import Section, Sheet
from toothcheck.torque import Torque, convert, unit_of

_ALIKE = 0.06
"""One torque in two units, rounded as manuals do, is no further apart: 7 lbf·ft are 9.5 N·m, printed as 10."""
_FASTENERS = ("front sprocket nut or bolts", "rear sprocket nuts", "rear axle nut")


def _words(name: str) -> set[str]:
    return {word.removesuffix("s") for word in re.findall(r"\w+", name.lower())}


def _is_meant(typed: str, fastener: str) -> bool:
    """Whether a typed name says one of the work's fasteners, and nothing besides.

    A torque of the sprocket's cover must not pass for that of the sprocket's nut: every word of the typed name is the
    fastener's, its place is told in full, and so is what is tightened there.
    """
    said, meant = _words(typed), _words(fastener)
    place = _words(" ".join(fastener.split()[:2]))
    return place <= said <= meant and bool(said & {"nut", "bolt"})


def _check_once(torques: Sequence[Torque]) -> None:
    """Refuse two torques of one fastener: a paper must not leave it open which is meant."""
    known: dict[frozenset[str], Torque] = {}
    for one in torques:
        other = known.setdefault(frozenset(_words(one.fastener)), one)
        told, there = (convert(t.value, t.unit, "N·m") for t in (one, other))
        if abs(told - there) > _ALIKE * there:
            both = " and ".join(f"{t.value:g} {unit_of(t.unit)}" for t in (other, one))
            raise ValueError(f"torque must be one for each fastener, not {both} for {one.fastener}")


def _torque_rows(torques: Sequence[Torque], fasteners: Sequence[str]) -> tuple[tuple[str, str], ...]:
    typed = [(t.fastener, t.text()) for t in torques]
    # a fastener without a typed torque is left to be written in by hand, with its page; one blank too many is harmless
    blanks = [(f, "") for f in fasteners if not any(_is_meant(t.fastener, f) for t in torques)]
    return tuple(typed + blanks)


def _work(action: Action) -> tuple[Section, ...]:
    sprockets = action != "chain-only"
    loosen = Section(
        heading="Loosen while the old chain still holds",
        steps=(
            *(
                (
                    "Front sprocket cover off; look for oil (a leaking seal) and pack of dirt.",
                    "Open the front lock (washer tab, plate, clip) as the manual says.",
                    "Loosen the front nut now, with the old chain on, in gear and with the rear brake held: once the "
                    "chain is off, nothing holds the shaft.",
                    "Break the rear sprocket's nuts loose, too, while the wheel is held.",
                )
                if sprockets
                else ("Front sprocket cover off; look at the front sprocket once more before you keep it.",)
            ),
        ),
    )
    chain = Section(
        heading="Chain off",
        steps=(
            "Machine on its stand, rear wheel free; slacken axle and adjusters, and note how many marks each side.",
            "Open the joining link; a riveted pin is ground off first: eye protection on, no fuel or cleaner near "
            "the sparks.",
            "Press the pin out with the tool meant for it; do not hammer against the gearbox shaft.",
            "Lay the old chain beside the new: same size, same number of links.",
        ),
    )
    swap = Section(
        heading="Sprockets",
        steps=(
            "Lay new on old: teeth, splines or holes, thickness, offset side (toothcheck match).",
            "Clean splines and seats; no grease or paint between clamped faces unless the manual says so.",
            "Front sprocket on with its marked side as the old; new lock washer; thread-lock only where the "
            "manual says.",
            "Wheel out; rear sprocket on a clean carrier; look at cush rubbers, carrier bearing and studs.",
            "Rear nuts crosswise and in stages, up to the torque of the manual.",
        ),
    )
    refit = Section(
        heading="Chain on",
        steps=(
            "New chain over both sprockets; fit the joining link with its rings, greased as its maker says.",
            "Rivet to the diameter that the chain's maker prints, eye protection on; a clip's closed end points in the "
            "direction of travel.",
            "The joint must bend freely, with no gap at the plates.",
            "Set the slack as the manual says: at the tightest place, on the stand or loaded as it says; same marks "
            "both sides, wheel in line.",
            "Axle nut to its torque; split pin or lock as the manual says; rear brake pumped up and free.",
            *(
                ("Now tighten the front nut to its torque, chain on, in gear, rear brake held; close its lock.",)
                if sprockets
                else ()
            ),
            "Front sprocket cover back on with all its screws; nothing under it may touch the chain.",
        ),
    )
    return (loosen, chain, swap, refit) if sprockets else (loosen, chain, refit)


_LOOKED = Section(
    heading="Afterwards",
    steps=(
        "Whatever was taken off is back on with all its screws: cover, guard.",
        "Note day and distance with what you saw.",
    ),
)


def _after(action: Action) -> Section:
    note = "Note the distance" + (
        " and photograph the new teeth: it is the best baseline for later." if action == "set" else "."
    )
    return Section(
        heading="After the work",
        steps=(
            "Turn the wheel by hand several turns: no tight place, no clicking, chain in the middle of the teeth.",
            "Brake pedal and lever firm before the machine moves.",
            "First ride short and slow; stop at any noise or jump.",
            "Check again after the first ride: slack, nuts, locks, joining link. Then after the distance that the "
            "manual names.",
            note,
        ),
    )


def work_checklist(plan: Plan, *, machine: str, torques: Sequence[Torque] = (), date: str) -> Sheet:
    """Lay out the checklist for what the plan says.

    Parameters
    ----------
    plan
        Its action decides whether sprockets are among the work.
    machine
        For the title.
    torques
        As typed from the machine's manual; others of the work's fasteners are blanks.
    date
        As it is to be printed.

    Raises
    ------
    ValueError
        When two torques are typed for one fastener.
    """
    _check_once(torques)
    look_only = plan.action in {"nothing", "watch", "measure-first"}
    work: tuple[Section, ...]
    if look_only:
        work = (
            Section(
                heading="Look and measure",
                steps=(
                    "Turn the wheel by hand a whole turn and look at every link: rust, cracks, missing rollers or "
                    "rings.",
                    "Feel for a tight and a slack part; measure the slack at the tightest place, as the manual says.",
                    "Pull the chain off the rear sprocket at its middle: note if a tooth shows.",
                    "Clean, photograph both sprockets square on with the card, measure the chain under pull.",
                    *(f"{step}" for step in plan.measure_next),
                ),
            ),
        )
    else:
        work = _work(plan.action)
    fasteners = () if look_only else _FASTENERS if plan.action == "set" else _FASTENERS[-1:]
    torque_rows = _torque_rows(torques, fasteners)
    return Sheet(
        title=f"Work checklist: {machine}",
        subtitle=plan.headline,
        sections=(
            Section(
                heading="Before you start",
                steps=(
                    "The machine's manual at hand: its order of work, torques and slack come before this list.",
                    "Engine off and cold, key out, gearbox in neutral except where said; hands out of the run "
                    "of the chain. "
                    "Never clean or oil a chain with the engine running.",
                    "Level ground, firm stand, wheel free and the machine safe from falling when pulled at.",
                    "Gloves and eye protection. Chain cleaners burn: no flame, no sparks, no smoking, good air; "
                    "keep them off brakes and tyres.",
                ),
            ),
            *work,
            *((Section(heading="Torques, from the machine's manual only", facts=torque_rows),) if torque_rows else ()),
            *((_LOOKED,) if look_only else (_after(plan.action),)),
            Section(heading="Cautions", remarks=plan.cautions),
        ),
        footer=f"toothcheck work checklist, {date}. It does not replace the machine's manual or a qualified mechanic.",
    )
