"""The logbook: what was fitted to which machine when, and how each part wore, kept so that nothing is lost.

Entries are only ever added (`Entry`, `Logbook`); what they add up to is worked out each time (`History`).
"""

from toothcheck.logbook.entries import KINDS, POSITIONS, Entry, EntryError, nearest
from toothcheck.logbook.history import (
    Fitting,
    History,
    Machine,
    Part,
    Reading,
    in_force,
    replay,
    standing,
)
from toothcheck.logbook.judged import (
    Judged,
    JudgedLength,
    Length,
    halted_in_logbook,
    judged,
    judged_length,
    longer_in_logbook,
    once_a_photo,
    outweighed_photo,
    renewal_in_logbook,
    worse_in_logbook,
)
from toothcheck.logbook.slips import in_its_words
from toothcheck.logbook.store import Logbook
from toothcheck.logbook.units import (
    KM_PER_MILE,
    UNITS,
    distance_echo,
    distance_km,
    distance_rough,
    distance_text,
    in_unit,
    unit_said,
)

__all__ = [
    "KINDS",
    "KM_PER_MILE",
    "POSITIONS",
    "UNITS",
    "Entry",
    "EntryError",
    "Fitting",
    "History",
    "Judged",
    "JudgedLength",
    "Length",
    "Logbook",
    "Machine",
    "Part",
    "Reading",
    "distance_echo",
    "distance_km",
    "distance_rough",
    "distance_text",
    "halted_in_logbook",
    "in_force",
    "in_its_words",
    "in_unit",
    "judged",
    "judged_length",
    "longer_in_logbook",
    "nearest",
    "once_a_photo",
    "outweighed_photo",
    "renewal_in_logbook",
    "replay",
    "standing",
    "unit_said",
    "worse_in_logbook",
]
