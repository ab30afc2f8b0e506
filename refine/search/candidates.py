"""What wasn't clear enough to be changed unasked, listed for a person to take."""

from __future__ import annotations

from collections.abc import Sequence

from refine.changes import Change, differences
from refine.errors import InputError
from refine.formats import Document
from refine.part_way import part_way
from refine.prepared import in_spelling
from refine.search.keyed import MOST_CANDIDATES
from refine.search.work import Option, Work
from refine.shot import Shot
from refine.suggestion import Candidate

UNLIKELY = 0.02  # probability under which a candidate is noise, where something clear was found


def listed(work: Work, document: Document | None) -> tuple[list[Option], list[Candidate]]:
    """The options that the file's decimals can show, and what is said of them."""
    both = [(option, _changes(work, option, document)) for option in _options(work)]
    both = [(option, changes) for option, changes in both if changes]
    said = [_candidate(n, option, changes) for n, (option, changes) in enumerate(both, 1)]
    return [option for option, _ in both], said


def take(work: Work, options: Sequence[Option]) -> None:
    """Takes the option whose number the request gives, counted from 1."""
    n = work.request.candidate
    assert n is not None
    if not 1 <= n <= len(options):
        why = "what is clear is changed without asking" if work.reasons else "nothing stands out"
        allowed = f"1 to {len(options)}" if options else f"none: {why}"
        raise InputError(f"--candidate {n}", "no such candidate", allowed, "list them without --candidate")
    chosen = options[n - 1]
    changed = chosen.channel_in(_only(work, chosen))
    work.shot = work.shot.with_channel(chosen.control, changed)
    work.residuals += chosen.residuals
    work.reasons.append(f"candidate {n}, chosen by you: {chosen.explains}")


def _options(work: Work) -> list[Option]:
    """The likeliest few explanations that weren't acted on and whose cure would show; what only extrapolates last."""
    found: list[Option] = []
    settled = work.shot is not work.given.shot
    for lead in sorted(work.leads, key=lambda lead: (lead.extrapolates, -lead.probability)):
        if settled and lead.probability < UNLIKELY:
            continue
        option = lead.cure()
        if work.seen(option.control, _only(work, option), work.given.shot, work.given.posed):
            found.append(option)
        if len(found) == MOST_CANDIDATES:
            break
    return found


def _changes(work: Work, option: Option, document: Document | None) -> list[Change]:
    return in_spelling(document, differences(work.given.shot, _only(work, option)))


def _candidate(number: int, option: Option, changes: Sequence[Change]) -> Candidate:
    where = option.control, option.channel, option.frames
    return Candidate(number, option.explains, *where, option.probability, tuple(changes))


def _only(work: Work, option: Option) -> Shot:
    """The shot as it was but for the option's channel, gone as far as the strength says."""
    old, new = option.channel_in(work.given.shot), option.channel_in(option.shot)
    share = min(work.request.strength, 1.0)
    changed = new if new.baked or share == 1 else part_way(old, new, share)
    return work.given.shot.with_channel(option.control, changed)
