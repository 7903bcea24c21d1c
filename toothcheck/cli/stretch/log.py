"""``--log`` of ``toothcheck stretch``: the chain's length, and its limit, into the logbook."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from toothcheck.errors import LogbookError, UsageError

if TYPE_CHECKING:
    from toothcheck.chains import Chain
    from toothcheck.estimate import Estimate
    from toothcheck.logbook import Entry, History
    from toothcheck.stretch import Limit


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainLog:
    """Where a length is to be kept: the words of ``--log``, ``--at``, ``--on``, ``--reason`` and ``--logbook``."""

    machine: str
    at: str
    where: str | None
    on: str | None = None
    reason: str | None = None
    """Why the odometer shows less than before, or far more."""

    def limit_kept(self, size: Chain) -> Limit | None:
        """The limit noted for this machine's chain, if there is one.

        Raises
        ------
        LogbookError
            When there is no such logbook or machine: told before anything is measured.
        """
        from toothcheck.cli.books import opened
        from toothcheck.drive import limit_kept
        from toothcheck.logbook import nearest

        with opened(self.where) as book:
            machines = book.history().machines
        if self.machine not in machines:
            raise LogbookError(f"Machine {self.machine} is not in the logbook ({nearest(self.machine, machines)}).")
        return limit_kept(machines[self.machine], size)

    def record(
        self, pitches: int, percent: Estimate, size: Chain, limit: Limit | None, *, rollers: int | None
    ) -> tuple[str, ...]:
        """Keep a length as that of the chain fitted, and the limit when it is new.

        Parameters
        ----------
        pitches
            Measured over.
        percent
            Elongation, per cent of that many nominal pitches.
        size, limit
            The chain's.
        rollers
            Counted from end to end; None where only the pitches were.

        Returns
        -------
        tuple of str
            What was recorded, a line for each entry, and what of the logbook it contradicts.  A length that the logbook
            has word for word is not recorded again, a limit that is new beside it is: it may have been looked up since.

        Raises
        ------
        UsageError, LogbookError
            When the distance cannot be read, another size is fitted, or the logbook refuses; nothing is recorded then.
        """
        from toothcheck.cli.books import kilometres, opened, telling
        from toothcheck.cli.logbook.recorded import in_words, length_of_part_said, to_mind
        from toothcheck.drive import LIMIT_NOTE, chain_size, length_remark, limit_kept
        from toothcheck.logbook import in_its_words
        from toothcheck.stretch import span_of

        km = kilometres(self.at)
        length = span_of(percent, pitches, size)
        there: list[Entry] = []
        with opened(self.where, said=self.at) as book, telling():

            def make(state: History) -> list[Entry]:
                known = state.machines.get(self.machine)
                part = state.fitted_on(self.machine, "chain", self.on)
                fitted = chain_size(state, self.machine, part)
                if fitted is not None and fitted.name != size.name:
                    has = f"{self.machine} {'has' if self.on is None else 'had'} {fitted.name}"
                    raise LogbookError(
                        f"The length is of a {size.name} chain, but {has}: not recorded.",
                        hint="Read the size on the plates; was the chain changed?",
                    )
                entry = book.new(
                    "chain-length",
                    machine=self.machine,
                    part=part,
                    distance_km=km,
                    on_date=self.on,
                    pitches=pitches,
                    length_mm=length.value,
                    length_std_mm=length.std,
                    text=length_remark(rollers),
                )
                kept = [*state.lengths.get(part or "", ()), *(known.lengths if known is not None else ())]
                there.extend(one.entry for one in kept if in_its_words(one.entry) == in_its_words(entry))
                entries = [] if there else [entry]
                if limit is not None and known is not None and limit_kept(known, size) != limit:
                    note = LIMIT_NOTE + limit.text()
                    entries.append(book.new("note", machine=self.machine, distance_km=km, on_date=self.on, text=note))
                return entries

            made = book.build(make, reason=self.reason)
            minded = [line for e in (*there, *made) if e.kind == "chain-length" for line in to_mind(book, e)]
            again = [f"Entry {e.number} already: {length_of_part_said(e)}; not recorded again." for e in there]
            return (*again, *in_words(made, self.at), *minded)


def lower_bound_refused(what: str) -> UsageError:
    """That the logbook, which keeps no mark of how a length was read, does not take one that is only a lower bound."""
    return UsageError(
        f"A reading {what} is only a lower bound, which the logbook would take for the chain's length.",
        hint="Measure under pull, beside the joining link; or leave --log out.",
    )
