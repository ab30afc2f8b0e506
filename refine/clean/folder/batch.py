"""A folder of clips cleaned: inputs, lock, journal, who does the work, and the report.

Outcomes come back to this process in any order and are written here, one clip at a time: result files, then a line of
the journal. So a run that is killed loses at most the clips that were being worked on, and `--resume` does those.
"""

from __future__ import annotations

import hashlib
import os
from collections import defaultdict
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from refine.clean.folder import inputs, journal, lock
from refine.clean.folder.inputs import Source
from refine.clean.folder.journal import Entry
from refine.clean.folder.progress import Progress, Say
from refine.clean.folder.work import Cleaner, Failure, Job, Outcome, failed, here
from refine.clean.report import page, summary, table
from refine.clean.report.record import digest, findings_of, plain
from refine.clean.report.summary import Clip
from refine.clean.settings import Settings
from refine.errors import InputError
from refine.formats import SIDE_ENDING
from refine.storage import new_file, new_folder, replace_file
from refine.suggestion import json_text

SUMMARY, TABLE, PARQUET, PAGE = "summary.json", "clips.csv", "clips.parquet", "index.html"
REPORTS = (SUMMARY, TABLE, PARQUET, PAGE)


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be cleaned, how, where to, and by whom."""

    paths: tuple[Path, ...]
    out: Path
    settings: Settings
    jobs: int = 1
    scheduler: str | None = None
    resume: bool = False
    force: bool = False


@dataclass(frozen=True, slots=True)
class Run:
    """What became of each clip. `troubles` are reports that couldn't be written."""

    clips: tuple[Clip, ...]
    settings: Settings
    troubles: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether every clip was cleaned and everything was written."""
        return not self.troubles and all(clip.status == "cleaned" for clip in self.clips)


def default_cleaner() -> Cleaner:
    """The function that cleans a shot."""
    from refine.clean.clip import cleaned

    return cleaned


def run(request: Request, say: Say, cleaner: Cleaner | None = None) -> Run:
    """Clean all clips and write the report. InputError, with nothing written, where the request can't be begun."""
    sources = inputs.found(request.paths, request.out)
    for link in inputs.links_left(request.paths):
        say(f"{link} is a link to a folder and isn't followed: to clean what is in it, name it itself")
    keyed = request.settings.within is not None
    inputs.check_places(sources, request.out, keyed)
    been = os.path.exists(
        request.out / lock.NAME
    )  # not Path.exists, which raises for a name that is too long
    if not been:  # else another run may be at it, and that is to be said first
        _check_free(request, sources, keyed)
    with _workers(request, say) as share_out:
        new_folder(request.out)
        with lock.held(request.out):
            _check_free(request, sources, keyed)
            if been:
                journal.sweep(
                    {(request.out / place).parent for s in sources for place in (*s.outputs(keyed), PAGE)}
                )
            batch = _begun(request, sources, say, cleaner or default_cleaner())
            try:
                with closing(share_out(batch.jobs())) as outcomes:
                    for outcome in outcomes:
                        batch.accept(outcome)
            except KeyboardInterrupt:
                say("stopped; the same command with --resume goes on from here")
                raise
            return batch.end()


def _check_free(request: Request, sources: Sequence[Source], keyed: bool) -> None:
    """InputError where something stands already that nobody said may be written over."""
    begun = os.path.lexists(request.out / journal.NAME)
    if request.force or (request.resume and begun):
        return
    remedy = "--resume goes on with an earlier run" if begun else "choose a new folder"
    for place in (*REPORTS, journal.NAME, *(place for source in sources for place in source.outputs(keyed))):
        if os.path.lexists(request.out / place):
            remedy += ", --force begins anew and writes over it"
            raise InputError(str(request.out / place), "the file is there already", "", remedy)


@contextmanager
def _workers(
    request: Request, say: Say
) -> Iterator[Callable[[Iterator[Job]], Generator[Outcome, None, None]]]:
    """Who does the work, ready to begin."""
    if request.scheduler is not None:
        from refine.clean.folder import cluster

        with cluster.connected(request.scheduler, say) as client:
            yield lambda jobs: cluster.shared_out(jobs, client)
    elif request.jobs > 1:
        from refine.clean.folder import schedule

        yield lambda jobs: schedule.in_processes(jobs, request.jobs)
    else:
        yield here


def _begun(request: Request, sources: Sequence[Source], say: Say, cleaner: Cleaner) -> _Batch:
    """The run, with what the journal of an earlier one says."""
    there = os.path.lexists(request.out / journal.NAME)
    try:
        entries = journal.read(request.out) if there else []
    except InputError:
        if not request.force:
            raise
        entries = []  # --force begins anew, whatever stands there
    if not request.resume:  # they no longer say that something is done, but still whose files those are
        entries = [replace(entry, settings="") for entry in entries]
    done = {entry.place: entry for entry in entries}
    journal.begin(request.out, list(done.values()))
    owned: defaultdict[str, set[str]] = defaultdict(set)
    for entry in entries:
        for place, sha256 in entry.files.items():
            owned[place].add(sha256)
    sizes = {source.place: _size(source.path) for source in sources}
    progress = Progress(len(sources), sum(sizes.values()), say)
    by_place = {source.place: source for source in sources}
    kin: defaultdict[str, set[str]] = defaultdict(set)
    for place in (*by_place, *done):
        kin[inputs.stem(place)].add(place)
    return _Batch(request, by_place, digest(request.settings), cleaner, done, owned, kin, sizes, progress)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


@dataclass(slots=True)
class _Batch:
    """The run so far. `done` are finished clips of an earlier run, `owned` what earlier runs wrote, by place.

    `kin` are by their stem the places of clips of both: those that would read the same side file.
    """

    request: Request
    sources: dict[str, Source]
    settings: str  # their digest
    cleaner: Cleaner
    done: dict[str, Entry]
    owned: dict[str, set[str]]
    kin: dict[str, set[str]]
    sizes: dict[str, int]
    progress: Progress
    made_from: dict[str, tuple[str, str | None, str]] = field(default_factory=dict)
    clips: dict[str, Clip] = field(default_factory=dict)

    def jobs(self) -> Iterator[Job]:
        """What is to be done, each clip read when its turn comes; what is done already is taken over.

        The longest come first: so no worker is left with a long one when the others are done.
        """
        alike = {} if self.request.settings.fps is None else inputs.sharing(tuple(self.sources.values()))
        for source in sorted(self.sources.values(), key=lambda source: -self.sizes[source.place]):
            if source.place in alike:
                self.accept(failed(source.place, _shared(source, alike[source.place])))
                continue
            try:
                found = inputs.contents(source)
            except InputError as error:
                self.accept(failed(source.place, _failure(error)))
                continue
            made_from = found.sha256, found.side_sha256, self.settings
            self.made_from[source.place] = made_from
            entry = self.done.get(source.place)
            if entry is not None and entry.made_from(made_from) and entry.stands(self.request.out):
                self._take_over(source, entry)
                continue
            yield Job(source.place, found.data, found.side, self.request.settings, self.cleaner)

    def accept(self, outcome: Outcome) -> None:
        """Write what a worker has brought back, and enter it into the journal."""
        source = self.sources[outcome.place]
        other = self._other_side(source, outcome)
        if other is not None:
            outcome = failed(source.place, _in_the_way(source, other))
        try:
            for place, data in outcome.files:
                self._put(place, data)
        except InputError as error:
            for place, data in outcome.files:  # a clip is written with its side file or not at all
                self._delete(place, {hashlib.sha256(data).hexdigest()})
            outcome = failed(source.place, _failure(error))
        self._drop_old(source, outcome)
        self._finish(source, outcome)

    def _kin(self, source: Source) -> Iterator[Entry]:
        """What stands of other clips with this stem: of this run, or of an earlier one that this one leaves alone."""
        for place in self.kin[source.stem] - {source.place}:
            entry = self.done.get(place)
            now = self.clips.get(place) if place in self.sources else entry
            if entry is not None and entry.settings and now is not None and now.files:
                yield entry

    def _other_side(self, source: Source, outcome: Outcome) -> Entry | None:
        """A finished clip that has the side file of this one otherwise: it would be read with this one's."""
        place = source.stem + SIDE_ENDING
        data = dict(outcome.files).get(place)
        own = None if data is None else hashlib.sha256(data).hexdigest()
        others = self._kin(source) if outcome.files else ()
        return next((entry for entry in others if entry.files.get(place) != own), None)

    def _put(self, place: str, data: bytes) -> None:
        target = self.request.out / place
        new_folder(target.parent)
        there = journal.sha256(target)
        if there is not None and there == hashlib.sha256(data).hexdigest():
            return  # a run was killed between this file and its line in the journal
        if there is not None and self.request.resume and there not in self.owned[place]:
            replace_file(target, data)  # somebody has worked on it since: theirs stays beside it
        else:
            new_file(target, data, force=self.request.resume or self.request.force)

    def _drop_old(self, source: Source, outcome: Outcome) -> None:
        """Delete what an earlier run made of a clip that now has no such result: it would be taken for this run's."""
        stale = set(source.outputs(self.request.settings.within is not None)) - {
            place for place, _ in outcome.files
        }
        for place in stale:
            if not any(
                place in entry.files for entry in self._kin(source)
            ):  # two clips may share a side file
                self._delete(place, self.owned[place])

    def _drop_orphans(self, finished: Sequence[Entry]) -> None:
        """Delete what earlier runs wrote that no clip of this one has for a result; what was edited is named."""
        kept = {place for entry in finished for place in entry.files}
        kept.update(place for clip in self.clips.values() for place in clip.files)
        for place in sorted(set(self.owned) - kept):
            self._delete(place, self.owned[place])
            if os.path.lexists(self.request.out / place):
                self.progress.say(f"{place} is of an earlier run and was edited since: it stays")

    def _delete(self, place: str, digests: set[str]) -> None:
        target = self.request.out / place
        if journal.sha256(target) in digests:
            target.unlink(missing_ok=True)

    def _finish(self, source: Source, outcome: Outcome) -> None:
        if (
            outcome.findings is not None
        ):  # in the digits of the journal, so that a resumed run's report is the same
            outcome = replace(outcome, findings=findings_of(plain(outcome.findings)))
        digests = {place: hashlib.sha256(data).hexdigest() for place, data in outcome.files}
        clip = self._clip(source, outcome, tuple(digests))
        self.clips[source.place] = clip
        if outcome.findings is not None:
            given = self.made_from[source.place]
            entry = Entry(source.place, *given, outcome.status, digests, outcome.findings)
            self.done[source.place] = entry
            try:
                journal.append(self.request.out, entry)
            except OSError as error:  # the clip is done; a resumed run would only do it again
                self.progress.say(f"the journal can't be written: {error.strerror}")
        words = clip.status + (f": {'; '.join(clip.reasons)}" if clip.reasons else "")
        self.progress.clip(source.place, self.sizes[source.place], words, clip.sha256 is not None)

    def _take_over(self, source: Source, entry: Entry) -> None:
        outcome = Outcome(source.place, entry.status, "", findings=entry.findings)
        self.clips[source.place] = self._clip(source, outcome, tuple(entry.files))
        self.progress.clip(source.place, self.sizes[source.place], f"{entry.status} earlier", worked=False)

    def _clip(self, source: Source, outcome: Outcome, files: tuple[str, ...]) -> Clip:
        sha256 = self.made_from[source.place][0] if source.place in self.made_from else None
        return Clip(
            str(source.path), source.place, sha256, outcome.status, files, outcome.findings, outcome.failure
        )

    def end(self) -> Run:
        """Write the report, and the journal in the order of the clips, which the work's order hasn't."""
        clips = tuple(self.clips[place] for place in self.sources)
        finished = [self.done[place] for place in sorted(self.done) if self.done[place].settings]
        self._drop_orphans(finished)
        troubles = []
        for name, data in _reports(clips, self.request.settings).items():
            try:
                new_file(self.request.out / name, data, force=True)
            except InputError as error:
                troubles.append(str(error))
        try:
            journal.begin(self.request.out, finished)
        except InputError as error:
            troubles.append(str(error))
        return Run(clips, self.request.settings, tuple(troubles))


def _shared(source: Source, other: Source) -> Failure:
    """Why a clip isn't cleaned to another frame rate that has its side file together with another clip."""
    found = f"{source.side} is the side file of {other.path} too, and --fps counts its frames anew for each"
    return Failure(
        source.place, found, "one clip for each side file", "clean each of them into a folder of its own"
    )


def _in_the_way(source: Source, other: Entry) -> Failure:
    side = source.stem + SIDE_ENDING
    found = f"{other.place} stands there from an earlier cleaning with another {side}"
    return Failure(
        source.place, found, "one side file for both", "clean each of them into a folder of its own"
    )


def _failure(error: InputError) -> Failure:
    return Failure(error.place, error.found, error.allowed, error.remedy)


def _reports(clips: Sequence[Clip], settings: Settings) -> dict[str, bytes]:
    document = summary.document(clips, settings)
    contents: dict[str, bytes | None] = {
        SUMMARY: (json_text(document) + "\n").encode(),
        TABLE: table.as_csv(clips),
        PARQUET: table.as_parquet(clips),
        PAGE: page.page(clips, settings).encode("utf-8", "backslashreplace"),
    }
    return {name: data for name, data in contents.items() if data is not None}
