"""Chain sizes as frozen data: pitch, roller diameter, inner width.

Sources: motorcycle sizes (415 … 632) from chain vendors' tables (ISO 10190:2008 covers motorcycle chain; its text
was not at hand).  05B … 20B and 08A … 20A from makers' catalogues of the ISO 606:2015 series.  The two bicycle
sizes are from memory.  All lengths mm.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """One chain size; lengths mm."""

    name: str
    pitch_mm: float
    roller_diameter_mm: float
    inner_width_mm: float
    source: str

    @property
    def tooth_width_mm(self) -> float:
        """Nominal width of a single-strand tooth, mm: 0.93 b1 up to 12.7 mm pitch, else 0.95 b1 (ISO 606:2015, 5.5)."""
        return (0.93 if self.pitch_mm <= 12.7 else 0.95) * self.inner_width_mm

    @property
    def tip_bevel_mm(self) -> float:
        """Nominal width ba of the bevel at the tip, mm: 0.13 p; makers use 0.10 p to 0.15 p (ISO 606:2015, 5.5)."""
        return 0.13 * self.pitch_mm

    @property
    def side_radius_min_mm(self) -> float:
        """Least radius rx of the bevelled sides of a tooth, mm: the pitch (ISO 606:2015, 5.5)."""
        return self.pitch_mm


_VENDORS = "chain vendors' tables (motorcycle sizes; ISO 10190 not at hand)"
_CATALOGUE = "makers' catalogues, ISO 606 series"
_MEMORY = "from memory"

_TABLE: tuple[tuple[str, float, float, float, str], ...] = (
    ("415", 12.70, 7.77, 4.76, _VENDORS),
    ("420", 12.70, 7.77, 6.35, _VENDORS),
    ("428", 12.70, 8.51, 7.94, _VENDORS),
    ("520", 15.875, 10.16, 6.35, _VENDORS),
    ("525", 15.875, 10.16, 7.94, _VENDORS),
    ("530", 15.875, 10.16, 9.53, _VENDORS),
    ("532", 15.875, 11.10, 9.53, _VENDORS),
    ("630", 19.05, 11.91, 9.53, _VENDORS),
    ("632", 19.05, 12.68, 9.66, _VENDORS),
    ("05B", 8.000, 5.00, 3.00, _CATALOGUE),
    ("06B", 9.525, 6.35, 5.72, _CATALOGUE),
    ("08B", 12.70, 8.51, 7.75, _CATALOGUE),
    ("10B", 15.875, 10.16, 9.65, _CATALOGUE),
    ("12B", 19.05, 12.07, 11.68, _CATALOGUE),
    ("16B", 25.40, 15.88, 17.02, _CATALOGUE),
    ("20B", 31.75, 19.05, 19.56, _CATALOGUE),
    ("08A", 12.70, 7.92, 7.85, _CATALOGUE),
    ("10A", 15.875, 10.16, 9.40, _CATALOGUE),
    ("12A", 19.05, 11.91, 12.57, _CATALOGUE),
    ("16A", 25.40, 15.88, 15.75, _CATALOGUE),
    ("20A", 31.75, 19.05, 18.90, _CATALOGUE),
    ("cycle-1/8", 12.70, 7.75, 3.30, _MEMORY),
    ("cycle-3/32", 12.70, 7.75, 2.38, _MEMORY),
)

CHAINS: dict[str, Chain] = {
    name: Chain(name=name, pitch_mm=p, roller_diameter_mm=d1, inner_width_mm=b1, source=source)
    for name, p, d1, b1, source in _TABLE
}
_ASME = {"40": "08A", "50": "10A", "60": "12A", "80": "16A", "100": "20A"}
"""The A series by its numbers in ASME B29.1: pitch in eighths of an inch, then 0 for the usual width (from memory)."""
_INDUSTRIAL = {key: size for key, size in CHAINS.items() if key.endswith(("A", "B"))} | {
    number: CHAINS[key] for number, key in _ASME.items()
}
_BY_NAME = (
    {key.upper(): size for key, size in CHAINS.items()}
    | _INDUSTRIAL
    | {f"{key}-1": size for key, size in _INDUSTRIAL.items()}
)
"""Every name that a size goes by, in capitals."""


FEWEST_LINKS = 10
"""No chain of a machine has fewer links (our convention)."""


def chain(name: str) -> Chain:
    """Look a chain size up by its name, e.g. ``"520"`` or ``"10b"``.

    The -1 behind the name of a single-strand chain may stand there (``"10B-1"``, ISO 606), and the A series goes by its
    numbers in ASME B29.1, too (``"50"``, ``"#50-1"``).

    Raises
    ------
    ValueError
        When the name is none of the sizes known; the message lists them.
    """
    found = _BY_NAME.get(name.strip().upper().removeprefix("#"))
    if found is None:
        raise ValueError(f"chain must be one of {', '.join(CHAINS)}, not {name!r}")
    return found
