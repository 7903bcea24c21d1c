"""What is claimed about a photo, and whether the measured wheel bears it out.

The place of the sprocket already answers for tooth count, pitch and scale (`toothcheck.placing`); what is left for
the traced wheel is the roller, the turning, the card's print and height, and the form.  Each check ends in a flag and
a sentence with numbers, never in a silent change of what was claimed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.chains import CHAINS, Chain
from toothcheck.estimate import Estimate
from toothcheck.geometry import readonly
from toothcheck.grade import BANDS_PERCENT, HOOK_MM, probabilities
from toothcheck.tooth import ToothRing
from toothcheck.tracing.fit import UNKNOWNS, Priors, WheelFit
from toothcheck.tracing.rims import Wheel
from toothcheck.tracing.trace import Traced
from toothcheck.wear import Datum, DatumPriors, WheelWear, fit_datum

WRONG_TURNING_PRIOR = 0.03
"""How often a turning that was told is wrong, before the photo is looked at (our own guess)."""
_SPREAD_SCALE, _COAST_SCALE_MM = 0.035, 0.05
"""By how much the log of the scatter, and the flanks' even loss, differ between right and wrong turning where nothing
is worn: the units in which evidence for a side is counted."""
SURE = 0.95
"""Probability from which a drive flank that was not told is taken as found."""
_AGAINST, _AGAINST_PERCENT = 1.0, 2.5
"""Evidence against the turning told, and asymmetry below nought, from which the other side is looked at (assumed)."""
_SCALE_PERCENT, _SCALE_SIGMAS = 1.0, 3.0
"""By how much the card's scale must be off to be told, and beyond how many standard uncertainties (assumed; a card
printed at 98 or 102 % must be told)."""
_FORM_SPREAD_MM, _BEYOND_SHARE, _BEYOND_FORM = 0.11, 0.6, 0.03
"""By how much seats and coast flanks may scatter about the form; which share of it where the form lies beyond the limit
forms, and by how much it must (assumed; on 34 photos of sprockets, told right, they scatter by 0.02 to 0.07 mm)."""
_WORN_COAST_MM = 0.18
"""Even loss of coast flanks from which both flanks are worn (assumed; on those photos 0.13 mm at most is found)."""
_WORN_PERCENT, _ALIKE_PERCENT, _GROWN_PERCENT = 3.5, 2.0, 3.0
"""Asymmetry from which a flank is taken as worn; by which two readings may differ and say the same; and below which
(negative) the flank that should be unworn must be the worn one (assumed)."""
_FADE_MM, _FADE_SIGMAS = 0.04, 4.0
"""From which fading of the coast flanks' loss on they are worn (95 photos of parts whose coast flanks have lost up to
0.16 mm: 0.02 at most where it is 4 standard uncertainties; where they lost 0.4 mm and more 0.05 to 0.09)."""
_TIP_STD_MM, _TIP_SIGMAS = 0.3, 3.0
"""How well a photo shows where the flanks end (see `toothcheck.tracing.trace`), and how much lower it must be: on 34
photos of parts in all states of wear they were seen to end at the least tip circle or up to 1.6 mm above it, on 8 made
ones of teeth as low as that, with bevels twice as deep as usual, 0.5 mm below it to 0.3 mm above it."""
_SEATS_OFF_MM = 0.3
"""Sources and makers differ by 0.05 to 0.2 mm in where the seats stand (see `toothcheck.toothform`)."""
_ROLLERS_ASKED, _ROLLERS_ALIKE = 0.2, 0.025
"""By which share a roller may differ from the told one's to be asked at all, and from another to pass for the same: no
photo tells a fortieth of a roller (assumed)."""
_VOTING, _TEXTURE_SHARE, _ALONE_SHARE = 0.5, 0.25, 0.1
"""Shares of a ring's points: those that vote; those further apart than the texture that they share is long; and of
these what speaks for itself, as dirt and light are shared along and across gaps (assumed)."""
_LEAST_SPREAD_MM, _LEAST_BIAS_MM, _LEAST_SCALE = 0.01, 0.02, 0.004
"""Below these, scatter and the doubt of exposure and scale make no roller likelier (assumed)."""
_SEAT_STD_MM, _GAIN_STD_MM, _FORM_STD = 0.06, 0.015, 0.1
"""How far the right roller's seats may stand off the standard's, its coast flanks outside the form (metal does not
grow), and its gap form beyond the limit forms: standard deviations (assumed; the second is half as large as at first,
so that rollers are told apart more sharply)."""
_ROLLER_CHI2 = 4.0
"""By how much another roller must fit better; of 115 made photos with the right roller one fits another better."""
_MOTORCYCLE = ("415", "420", "428", "520", "525", "530", "532", "630", "632")


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What the user says about the photo."""

    chain: Chain | None
    """None: to be found out."""
    teeth: int | None
    """None: to be found out."""
    position: str
    """``front`` or ``rear``."""
    turning: str | None
    """``clockwise`` or ``counterclockwise`` as seen in the photo, None when not told."""
    card_height_mm: float | None = None
    """Card over the face, towards the camera; None when not told."""
    thickness_mm: float | None = None
    near_px: tuple[float, float] | None = None

    @property
    def drive_clockwise(self) -> bool | None:
        """Whether drive flanks are on the clockwise sides of teeth (measures.md, section 1)."""
        if self.turning is None:
            return None
        return (self.position == "front") == (self.turning == "clockwise")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What the photo itself says about the claims; probabilities of what was weighed against one another."""

    teeth: tuple[tuple[int, float], ...] = ()
    """Tooth counts, most probable first."""
    chains: tuple[tuple[str, float], ...] = ()
    """Chain sizes, most probable first; sizes of the same pitch and roller differ only in width."""
    drive_clockwise: float | None = None
    """Probability that the worn flank is on the clockwise sides of teeth; None where no wear tells."""

    @property
    def chains_alike(self) -> tuple[str, ...]:
        """The chain sizes that fit best: several where the photo does not tell them apart."""
        return tuple(name for name, share in self.chains if share > 0.99 * self.chains[0][1])

    def in_words(self, *, teeth: bool, chain: bool) -> str:
        """What was left to the photo and found there; empty where nothing was."""
        said = []
        if teeth and self.teeth:
            said.append(f"{self.teeth[0][0]} teeth ({100 * self.teeth[0][1]:.0f} %)")
        if chain and self.chains:
            *others, last = self.chains_alike
            share = f"{100 * self.chains[0][1]:.0f} %"
            said.append(
                f"chain {', '.join(others)} or {last}, which fit alike ({share} each)" if others
                else f"chain {last} ({share})"
            )  # fmt: skip
        return f"Found in the photo: {'; '.join(said)}." if said else ""

    def as_json(self) -> dict[str, object]:
        """For the JSON document."""
        p = self.drive_clockwise
        return {
            "teeth": [{"teeth": z, "probability": round(q, 3)} for z, q in self.teeth],
            "chains": [{"chain": name, "probability": round(q, 3)} for name, q in self.chains],
            "drive_flank": None if p is None else {"clockwise": round(p, 3), "counterclockwise": round(1 - p, 3)},
        }


def chain_shares(
    weights: dict[tuple[float, float], float], thickness: Estimate | None
) -> tuple[tuple[str, float], ...]:
    """Chain sizes with probabilities, from weights of (pitch, roller diameter) and the measured thickness of a tooth.

    Motorcycle sizes count four times as much as industrial and cycle sizes (our own choice).  Teeth are 0.88 to 0.95
    of the chain's inner width thick (common practice, no source).
    """
    out = {}
    for chain in CHAINS.values():
        weight = weights.get((chain.pitch_mm, chain.roller_diameter_mm), 0.0)
        if weight <= 0:
            continue
        weight *= 4.0 if chain.name in _MOTORCYCLE else 1.0
        if thickness is not None:
            std = math.hypot(thickness.std, 0.04 * chain.inner_width_mm)
            weight *= math.exp(-0.5 * ((thickness.value - 0.91 * chain.inner_width_mm) / std) ** 2) / std + 1e-6
        out[chain.name] = weight
    total = sum(out.values())
    if total <= 0:
        return ()
    ranked = sorted(out.items(), key=lambda item: -item[1])
    return tuple((name, w / total) for name, w in ranked if w / total >= 0.005)


# --- turning -------------------------------------------------------------------------------------------------


def side_evidence(ring: ToothRing, known: Datum, drive_clockwise: bool, priors: DatumPriors) -> float:
    """Log of the odds that the clockwise sides of teeth are the worn ones, from the datum of one side and the other.

    Unworn flanks lie on the form with less scatter than worn ones, and without an even loss.  Taken by itself each is
    easily fooled by one-sided light, so both are counted in units of what light alone does.

    Parameters
    ----------
    known
        The datum with drive flanks on the sides that ``drive_clockwise`` says.
    """
    other = fit_datum(ring, drive_clockwise=not drive_clockwise, priors=priors)
    scatter = math.log(max(other.spread_mm, 1e-3) / max(known.spread_mm, 1e-3)) / _SPREAD_SCALE
    even = (abs(other.coast_mm) - abs(known.coast_mm)) / _COAST_SCALE_MM
    evidence = float(np.clip(scatter + even, -12, 12))
    return evidence if drive_clockwise else -evidence


def shows_wear(wear: WheelWear) -> bool:
    """Whether the wheel's drive flanks are worn beyond doubt."""
    a = wear.asymmetry_percent
    return a is not None and a.value > max(_WORN_PERCENT, 2 * a.std)


def turning_doubted(wear: WheelWear, evidence: float, claimed: bool) -> bool:
    """Whether there is enough against the turning told to look from the other side too."""
    a = wear.asymmetry_percent
    against = -evidence if claimed else evidence
    return against > _AGAINST or (a is not None and a.value < -_AGAINST_PERCENT)


def drive_probability(evidence: float, claimed: bool | None) -> float:
    """Probability that drive flanks are on the clockwise sides, from the evidence and what was told."""
    odds = evidence + math.log(turning_prior(claimed) / (1 - turning_prior(claimed)))
    return 1 / (1 + math.exp(-odds))


def turning_prior(drive_clockwise: bool | None) -> float:
    """Probability of clockwise drive flanks before looking."""
    if drive_clockwise is None:
        return 0.5
    return 1 - WRONG_TURNING_PRIOR if drive_clockwise else WRONG_TURNING_PRIOR


# --- scale, roller, form -------------------------------------------------------------------------------------


def card_to_pitch(fit: WheelFit, start: Wheel, priors: Priors) -> tuple[Estimate, float]:
    """How much larger the sprocket's pitch is by the card's scale than it should be, per cent.

    The fit takes a scale that is off as a height over the card's plane, holds that near what was told, and what it
    cannot take so goes into the seats' depth.  So the height's prior is taken out again: what is left is what the
    edges alone say of the height.  The card's lean is left out of it.  Also the distance from camera to card, mm.

    Parameters
    ----------
    start, priors
        What the fit began with.
    """
    k = UNKNOWNS.index("height")
    at = start.plane.origin_mm + start.plane.camera_from_plane[:, :2] @ priors.pivot_mm
    distance = float(np.linalg.norm(at))
    held = np.linalg.inv(fit.covariance)
    free = held.copy()
    # that prior is about nought, so taking it out changes nothing of the other side; a ten-thousandth of it is left,
    # since the edges may say nothing at all
    free[k, k] -= 0.9999 / priors.height_mm**2
    height = float(np.linalg.solve(free, held @ fit.unknowns)[k])
    std = float(np.linalg.inv(free)[k, k]) ** 0.5
    return Estimate(value=100 * height / distance, std=max(100 * std / distance, 0.02)), distance


def scale_flags(percent: Estimate, prior_mm: float, distance_mm: float) -> tuple[list[str], list[str]]:
    """Flags and sentences on the card's scale against the pitch's.

    Parameters
    ----------
    percent
        Of `card_to_pitch`.
    prior_mm
        Standard uncertainty of the card's height as it was told.
    distance_mm
        From camera to card.
    """
    std = math.hypot(percent.std, 100 * prior_mm / distance_mm)
    if abs(percent.value) < max(_SCALE_PERCENT, _SCALE_SIGMAS * std):
        return [], []
    lift = percent.value / 100 * distance_mm
    size, printed, lies = ("large", "smaller", "deeper") if lift > 0 else ("small", "larger", "higher")
    return ["scale-disagrees"], [
        f"By the card the sprocket's pitch is {abs(percent.value):.1f} % too {size}: the card was printed {printed}"
        f" than meant, or lies {abs(lift):.0f} mm {lies} than reckoned with."
    ]


def roller_shares(
    ring: ToothRing, chain: Chain, known: Datum, drive_clockwise: bool, priors: DatumPriors
) -> dict[tuple[float, float], float]:
    """Weights of the rollers that chains of this pitch have, from how well seats of each lie on the ring."""
    rollers = sorted({c.roller_diameter_mm for c in CHAINS.values() if c.pitch_mm == chain.pitch_mm})
    own_say = _VOTING * _TEXTURE_SHARE * _ALONE_SHARE * sum(len(g.offset_mm) for g in ring.gaps)
    chi2: dict[float, float] = {}
    for d1 in rollers:
        if abs(d1 / chain.roller_diameter_mm - 1) > _ROLLERS_ASKED:
            continue
        alike = next((other for other in chi2 if abs(d1 / other - 1) < _ROLLERS_ALIKE), None)
        if alike is not None and d1 != chain.roller_diameter_mm:
            chi2[d1] = chi2[alike]
            continue
        tried = replace(ring, roller_diameter_mm=d1)
        datum = known if d1 == chain.roller_diameter_mm else fit_datum(
            tried, drive_clockwise=drive_clockwise, priors=priors
        )  # fmt: skip
        out = max(0.0, datum.gap_form.value - 1, -datum.gap_form.value)
        deviations = (
            datum.form.seat_offset_mm / _SEAT_STD_MM,
            (datum.bias_mm - priors.bias_mean_mm) / max(priors.bias_mm, _LEAST_BIAS_MM),
            min(0.0, datum.coast_mm) / _GAIN_STD_MM,
            (datum.scale - 1) / max(ring.scale_std, _LEAST_SCALE),  # the card gives it, the seats' circle has no other
            out / _FORM_STD,
        )
        chi2[d1] = own_say * 2 * math.log(max(datum.spread_mm, _LEAST_SPREAD_MM)) + sum(d**2 for d in deviations)
    least = min(chi2.values())
    return {(chain.pitch_mm, d1): math.exp(-0.5 * (value - least)) for d1, value in chi2.items()}


def roller_flags(shares: dict[tuple[float, float], float], chain: Chain) -> tuple[list[str], list[str]]:
    """A flag and a sentence where another roller fits the seats much better than the chain's own."""
    own = shares.get((chain.pitch_mm, chain.roller_diameter_mm), 1.0)
    best = max(shares, key=lambda key: shares[key])
    if best[1] == chain.roller_diameter_mm or 2 * math.log(shares[best] / max(own, 1e-12)) < _ROLLER_CHI2:
        return [], []
    names = [c.name for c in CHAINS.values() if (c.pitch_mm, c.roller_diameter_mm) == best and c.name in _MOTORCYCLE]
    return ["roller-disagrees"], [
        f"The seats fit a roller of {best[1]:g} mm ({', '.join(names) or 'an industrial size'}) better than"
        f" the {chain.roller_diameter_mm:g} mm of {chain.name}."
    ]


def seat_flags(traced: Traced, wear: WheelWear, *, with_card: bool) -> tuple[list[str], list[str]]:
    """A flag and a sentence where the seats' circle is further off the standard's than any maker's.

    A fit pressed by a wrong scale takes the seats out as well as the plane.
    """
    root = max(
        (float(traced.fit.unknowns[UNKNOWNS.index("root")]), wear.datum.form.seat_offset_mm), key=lambda mm: abs(mm)
    )
    if abs(root) < _SEATS_OFF_MM:
        return [], []
    return ["scale-disagrees" if with_card else "form-disagrees"], [
        f"The seats stand {abs(root):.2f} mm {'outside' if root > 0 else 'inside'} where the pitch has them."
    ]


def form_flags(wear: WheelWear) -> tuple[list[str], list[str]]:
    """A flag and a sentence where the unworn flanks do not lie on any form between the limits."""
    gap_form, spread = wear.datum.gap_form, wear.datum.spread_mm
    beyond = not -_BEYOND_FORM <= gap_form.value <= 1 + _BEYOND_FORM
    if spread < _FORM_SPREAD_MM and not (beyond and spread > _BEYOND_SHARE * _FORM_SPREAD_MM):
        return [], []
    return ["form-disagrees"], [
        f"Seats and coast flanks scatter by {spread:.2f} mm about the nearest ISO 606 form"
        + (", which lies beyond the limit forms." if beyond else ".")
    ]


def tip_flags(ring: ToothRing, wear: WheelWear) -> tuple[list[str], list[str]]:
    """A flag and a sentence where teeth end further below the standard's least tip circle than they wear down.

    Holes in a disc and round notches have seats, but no flanks above them.  Neglected: chains of small pitch, whose
    lowest teeth are hardly higher than that (428 of fewer than 19 teeth).
    """
    percent, form = wear.asymmetry_percent, wear.datum.form
    # teeth worn to a point may end anywhere
    if ring.tip_radius_mm is None or percent is None or percent.value >= BANDS_PERCENT[-1]:
        return [], []
    least = form.tip_diameter_min_mm / 2 - form.pitch_radius_mm
    seen = ring.tip_radius_mm - form.pitch_radius_mm
    if seen > least - _TIP_SIGMAS * _TIP_STD_MM:
        return [], []
    return ["form-disagrees"], [
        f"Flanks are seen to {seen:.1f} mm above the pitch circle only, where the lowest teeth of ISO 606 reach"
        f" {least:.1f} mm: holes and notches look so, and teeth with covered tips."
    ]


def coast_flags(wear: WheelWear) -> list[str]:
    """The flag where coast flanks are worn as drive flanks are: then no datum says which has lost how much."""
    fade = wear.coast_fade_mm
    worn = fade is not None and fade.value > max(_FADE_MM, _FADE_SIGMAS * fade.std)
    return ["flanks-worn-alike"] if worn else []


def wear_flags(wear: WheelWear, other: WheelWear | None, right: float) -> list[str]:
    """Flags on which flank is worn, where the turning was told.

    Parameters
    ----------
    other
        The same photo measured with the flanks' roles exchanged, where there was doubt.
    right
        Probability that the turning told is right.
    """
    own = wear.asymmetry_percent
    if own is None:
        return []
    if own.value < -_GROWN_PERCENT - own.std:  # metal does not grow
        return ["wear-on-coast-flank"]
    doubted = False
    if other is not None and other.asymmetry_percent is not None:
        exchanged = other.asymmetry_percent.value
        told, weighed = _chances(wear), _chances(weighed_wear(wear, other, right))
        if right < 0.5 and (
            max(told, key=lambda name: told[name]) != max(weighed, key=lambda name: weighed[name])
            or (exchanged > _WORN_PERCENT and abs(exchanged - own.value) > _ALIKE_PERCENT)
        ):
            return ["wear-on-coast-flank"]
        moved = sum(abs(told[name] - weighed[name]) for name in told) / 2
        # readings that agree give the right grade, of what is then known to be wrongly told
        doubted = moved > 1 - SURE or (right < 1 - SURE and shows_wear(other))
    flags = ["turning-doubted"] if doubted else []
    return [*flags, "worn-both-flanks"] if wear.datum.coast_mm > _WORN_COAST_MM else flags


def weighed_wear(wear: WheelWear, other: WheelWear, right: float) -> WheelWear:
    """The wear with draws of both readings, each as often as the flank that it takes to drive does: for the grade.

    Everything else stays as measured with the turning told.

    Parameters
    ----------
    other
        The same photo measured with the flanks' roles exchanged.
    right
        Probability that it is the drive flank of ``wear`` that drives.
    """
    draws = len(wear.draws_asymmetry)
    if draws == 0 or len(other.draws_asymmetry) != draws:  # one of them measured no tooth
        return wear
    exchanged = np.arange(draws) >= round(right * draws)
    own, others = wear.draws_overhang, other.draws_overhang
    if len(own) == len(others):
        overhang = np.where(exchanged, others, own)
    else:  # a hook that one reading alone tells stands for both; that there is none does not
        alone = max(own, others, key=len)
        overhang = alone if np.median(alone) >= HOOK_MM else np.zeros(0)
    return replace(
        wear,
        draws_asymmetry=readonly(np.where(exchanged, other.draws_asymmetry, wear.draws_asymmetry)),
        draws_overhang=readonly(overhang),
    )


def _chances(wear: WheelWear) -> dict[str, float]:
    return probabilities(wear.draws_asymmetry, wear.draws_overhang)
