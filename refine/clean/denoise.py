"""The smoothing of a whole clip: each channel by its own noise and liveliness, spikes and gaps led through.

What a first pass leaves over says where it was wrong: a sample alone far off is a spike that the window test couldn't
see in the noise; several in a row are a move sharper than the motion around it, an impact or an accent, and the motion
is let be livelier there. A turn that comes near gimbal lock is smoothed as a quaternion, for there its angles race
while the joint hardly moves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.clean.branches import angles_of
from refine.clean.eased import eased
from refine.clean.few_frames import Rows, certain, degrees
from refine.clean.noise import FASTEST, TELLING, Noise, estimated, falling, liveliness
from refine.clean.settings import Settings
from refine.clean.smoother import smoothed
from refine.clean.spikes import LEAST, LONGEST, OUT
from refine.clean.tracks import Group, Tracks, quaternions
from refine.clean.windows import RARE, quickness
from refine.limbs.planted import runs
from refine.rotation import quaternion_matrix
from refine.samples import led_through
from refine.shot import Array
from refine.third_differences import STIFFEST, frequency_of, weight_of

Mask = NDArray[np.bool_]

LOCK = 15.0  # [judge] deg: nearer than this to gimbal lock angles are no measure of the turn
FAR = 4.5  # [judge] sigmas from which a sample is looked at again
MOST = 2.8  # sigmas that a sample is moved in a row whose noise comes in bursts
BY_CHANCE = 0.0027  # of normal noise lies beyond 3 sigma
HOLDS = 4
ALONE = 2.0  # times as far off as the samples two and three frames away: then it is a spike
LIVELIER = 50.0  # times the variance of jerk where a move was sharper than thought
BROKEN = 1e6  # the same where the motion is said to break
BESIDE = 3  # frames around it
ROUNDS = 3
HELD = 1e8  # times as firmly as by the noise: held to far below a file's decimals
QUIET = 1e-5  # of a unit: noise below that isn't worth a change


Told = dict[Group, tuple[Noise, ...]]  # with four rows of a turn by angles it is smoothed as a quaternion
Bursts = tuple[Mask, ...]  # (k,) rows whose noise comes in bursts, as each round of holding back finds them


@dataclass(frozen=True, slots=True, eq=False)
class Keep:
    """Masks (N,) of a group: gaps, spikes, samples to be kept, samples after which the motion may break."""

    gaps: Mask
    spikes: Mask
    held: Mask
    breaks: Mask

    @property
    def lost(self) -> Mask:
        """(N,) samples that have no say."""
        return self.gaps | self.spikes

    def map(self, change: Callable[[Mask], Mask]) -> Keep:
        return Keep(change(self.gaps), change(self.spikes), change(self.held), change(self.breaks))


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What was learnt of a group: samples without a say (N,), of these the spikes, its rows' noise, the frequency
    of which half is left, the median over its rows and frames (0: not smoothed), bursts of noise, and what a sample
    of its rows is off by at least if it is a spike."""

    missing: Mask
    spikes: Mask
    noise: tuple[Noise, ...]
    hz: float
    bursts: Bursts = ()
    least: float = 0.0

    def cut(self, inner: slice) -> Part:
        return replace(self, missing=self.missing[inner], spikes=self.spikes[inner])


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """What was learnt of each group."""

    parts: dict[Group, Part]

    @property
    def alike(self) -> float:
        """How the clip's noise correlates from frame to frame."""
        return max((noise.alike for part in self.parts.values() for noise in part.noise), default=0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Denoised(Learnt):
    tracks: Tracks


def denoised(
    tracks: Tracks,
    keep: dict[Group, Keep],
    settings: Settings,
    noise: Told | None = None,
    known: Mapping[Group, Part] | None = None,
) -> Denoised:
    """The tracks, whose angles must not jump, smoothed as the settings ask.

    `noise`, or all that is `known`, where more frames than these have told it.
    """
    if noise is None:
        noise = (
            told(tracks, keep, locked(tracks), settings)
            if known is None
            else {g: p.noise for g, p in known.items()}
        )
    values, parts = tracks.values.copy(), {}
    for group in tracks.groups:
        given = _smoothed_rows(group, tracks.of(group), len(noise[group]) == 4)
        own = led_through(given.T, keep[group].lost).T
        bursts = None if known is None else known[group].bursts
        least = _least(group, own, keep[group].lost, tracks.fps) if known is None else known[group].least
        work = _Work(own, noise[group], keep[group], tracks.fps, settings, least, bursts)
        z = work.settled()
        values[list(group.rows)] = _as_given(group, tracks.of(group), given, z)
        parts[group] = work.part() if known is None else replace(work.part(), hz=known[group].hz)
    return Denoised(parts, replace(tracks, values=values))


def told(
    tracks: Tracks, keep: dict[Group, Keep], as_quaternions: frozenset[Group], settings: Settings
) -> Told:
    """The noise of the rows in which each group is smoothed; none where it was taken out before.

    Whoever asks for more or less smoothing gets it everywhere.
    """
    rows = [_smoothed_rows(group, tracks.of(group), group in as_quaternions) for group in tracks.groups]
    lost = [keep[group].lost for group in tracks.groups]
    filled = [led_through(own.T, gone).T for own, gone in zip(rows, lost, strict=True)]
    gone = [g for g, own in zip(lost, rows, strict=True) for _ in own]
    every = [row for own in filled for row in own]
    falls = certain(
        [
            Rows(own, g, _falls(own, g, tracks.fps), degrees(group, own))
            for group, own, g in zip(tracks.groups, filled, lost, strict=True)
        ],
        tracks.fps,
    )
    noise = iter(
        estimated(every, gone, tracks.fps, falls=None if _asked(settings) else np.concatenate(falls))
    )
    return {group: tuple(next(noise) for _ in own) for group, own in zip(tracks.groups, rows, strict=True)}


def _falls(rows: Array, lost: Mask, fps: float) -> Array:
    """(k,) how the fast modes of a group's rows fall; what most do where a row by itself can't tell.

    A quaternion's rows are one turn, so that it is smoothed as a whole or not at all.
    """
    falls = falling(rows, lost, fps)
    moving = np.isfinite(falls)
    if not moving.any():
        return falls
    most = float(np.median(falls[moving]))
    if len(rows) == 4:
        return np.full(4, most)
    return np.where(moving & (falls >= TELLING), max(most, TELLING), falls)


def _asked(settings: Settings) -> bool:
    """Whether a person asks for another smoothing than the noise does."""
    return settings.keep_below is not None or settings.strength not in (0.0, 1.0)


def locked(tracks: Tracks) -> frozenset[Group]:
    """The turns by angles that come near gimbal lock somewhere: they are smoothed as quaternions."""
    near = np.sin(np.deg2rad(LOCK))
    return frozenset(
        group
        for group in tracks.groups
        if group.triple and np.abs(np.cos(np.deg2rad(tracks.of(group)[1]))).min() <= near
    )


def _least(group: Group, rows: Array, lost: Mask, fps: float) -> float:
    """What a sample must be off by at least to be a spike, in the unit of the rows: more where the joint is quick."""
    turn = 0.0
    if group.kind in ("angles", "quaternion"):
        turn = np.deg2rad(LEAST) / 2.0 if len(rows) == 4 else LEAST
    usual = float(np.median(quickness(rows.T, lost, fps))) / np.sqrt(len(rows))
    return float(OUT * max(turn, usual))


def _smoothed_rows(group: Group, values: Array, as_quaternion: bool) -> Array:
    """The rows in which a group is smoothed: its own, or a quaternion's."""
    return quaternions(group, values).T if as_quaternion and group.kind == "angles" else values


def _as_given(group: Group, given: Array, rows: Array, z: Array) -> Array:
    """The smoothed rows in the group's own channels; what wasn't moved is the given samples to the last bit."""
    same = np.all(z == rows, axis=0)
    if group.kind == "quaternion" or len(z) != len(given):
        z = z / np.linalg.norm(z, axis=0)
    if len(z) == len(given):
        return np.where(same, given, z)
    values = given.copy()
    for a, b in runs(~same):  # each from the branch of the sample before it
        matrices = quaternion_matrix(z[:, a : b + 1].T)
        values[:, a : b + 1] = angles_of(group, matrices, given[:, max(a - 1, 0)])
    return values


class _Work:
    """A group on its way: what a pass leaves over changes what the next one believes."""

    def __init__(
        self,
        y: Array,
        noise: tuple[Noise, ...],
        keep: Keep,
        fps: float,
        settings: Settings,
        least: float,
        known: Bursts | None = None,
    ) -> None:
        self.least = least  # that a sample must be off by to be a spike
        self.known, self.bursts = known, list[Mask]()
        self.y, self.noise, self.keep, self.fps = y, noise, keep, fps
        self.missing, self.spikes = keep.gaps | keep.spikes, keep.spikes.copy()
        self.strength, self.keep_below, self.asked = settings.strength, settings.keep_below, _asked(settings)
        self.still = not settings.smooths
        self.held = keep.held | ~self.missing if self.still else keep.held
        # Where nothing is smoothed, gaps are still filled by the motion's slopes, not by those of the noise.
        self.stiff = np.ones(y.shape)
        self.sigma = np.array([max(n.sigma, QUIET) for n in noise])
        self.smooths = np.array([n.sigma > QUIET for n in noise])
        self.alike = np.array([n.alike for n in noise])
        self.jerk = np.stack([self._jerk(i) for i in range(len(y))])
        self._let_loose(keep.breaks, BROKEN)
        self.z, self.every = y.copy(), np.arange(len(y))

    def _jerk(self, i: int) -> Array:
        """(N - 3,) the variance of a row's third differences, as its noise asks for it."""
        count, noise = self.y.shape[1] - 3, self.noise[i]
        if not self.smooths[i]:
            return np.full(count, self.sigma[i] ** 2 / float(weight_of(FASTEST * self.fps, self.fps)))
        return liveliness(self.y[i], noise, self.fps)

    def settled(self) -> Array:
        """(k, N) the rows smoothed, once what is left over is noise; then as the person asks for it."""
        self._pass(self.every)
        if self._meant():
            self._pass(self.every)
        for _ in range(ROUNDS):
            if not self._learnt():
                break
            self._pass(self.every)
        if self.asked:
            self._as_asked()
            self._pass(self.every)
            self._ease()
        else:
            for _ in range(HOLDS):
                far = self._held_back()
                if not len(far) and len(self.bursts) >= len(self.known or ()):  # the whole clip may go on
                    break
                self._pass(far)
        kept = self.held & ~self.missing
        self.z[:, kept] = self.y[:, kept]
        return self.z

    def _meant(self) -> bool:
        """Whether held samples are farther off than noise explains: then they are meant, and the motion goes through
        them. The others hold their noise, through which it had better not go."""
        off = np.max(np.abs(self.y - self.z) / self.sigma[:, None], axis=0)
        meant = self.keep.held & ~self.missing & (off > FAR)
        self.stiff[:, meant] = HELD
        return bool(meant.any())

    def _as_asked(self) -> None:
        """Smooths by another strength, or all alike, whatever that takes away; only breaks stay."""
        if self.keep_below is None:
            stiffest = self.sigma[:, None] ** 2 / STIFFEST
            self.jerk = np.maximum(self.jerk / self.strength**6, stiffest)
            return
        self.smooths |= np.ptp(self.y, axis=1) > 0  # not before: what has no noise can't tell what leaves it
        weight = float(weight_of(self.keep_below, self.fps))
        self.jerk = np.broadcast_to(self.sigma[:, None] ** 2 / weight, self.jerk.shape)
        self.alike = np.zeros_like(self.alike)
        self._let_loose(self.keep.breaks, BROKEN)

    def _ease(self) -> None:
        """Lets what was smoothed run into held samples, within half a wave of what is half left."""
        hz = self._hz()
        if hz:
            reach = round(self.fps / (2.0 * float(np.median(hz))))
            kept = self.held & ~self.missing
            self.z = eased(self.z, self.y, kept, self.keep.breaks, FAR * self.sigma, reach)

    def _pass(self, rows: NDArray[np.intp]) -> None:
        """Smooths some rows by what is believed now."""
        for i in rows:
            if (self.smooths[i] and not self.still) or (self.missing.any() and np.ptp(self.y[i]) > 0):
                z = smoothed(
                    self.y[i], self.missing, self.stiff[i], self.sigma[i], self.alike[i], self.jerk[i]
                )
                self.z[i] = z if self.smooths[i] else np.where(self.missing, z, self.y[i])

    def _learnt(self) -> bool:
        """Whether what is left over taught something: new spikes without weight, livelier stretches."""
        off = np.max(np.abs(self.y - self.z) / self.sigma[:, None], axis=0)
        off[self.missing | self.held] = 0.0
        far = off > FAR
        if not far.any():
            return False
        beside = np.max(np.stack([np.roll(off, k) for k in (-3, -2, 2, 3)]), axis=0)
        alone = far & (off > OUT) & (off > ALONE * beside)
        alone &= np.abs(self.y - self.z).max(axis=0) > self.least
        alone &= self.fps >= RARE  # else a quick move is as short
        first, last = np.array(runs(far)).T
        gone, single = (np.concatenate([[0], np.cumsum(mask)]) for mask in (self.missing, alone))
        apart = gone[np.minimum(last + 3, len(off))] == gone[np.maximum(first - 2, 0)]
        spiky = (last - first < LONGEST) & apart & (single[last + 1] > single[first])
        spiky[1:] &= ~spiky[:-1] | (first[1:] - last[:-1] > 2)
        spikes, sharp = (
            _within(first[some], last[some], len(off)) for some in (spiky, ~spiky & (last > first))
        )
        self.spikes |= spikes
        self.missing |= spikes
        if not sharp.any() and not (alone & self.missing).any():
            return False
        self.y = led_through(self.y.T, self.missing).T
        self.z[:, self.missing] = self.y[:, self.missing]
        self._let_loose(sharp, LIVELIER)
        return True

    def _held_back(self) -> NDArray[np.intp]:
        """Holds more firmly what would still be moved farther than noise explains; the rows in which there is any.

        Noise moves 1 sample in 370 by more than 3 sigma. A row with more of those has noise that comes in bursts, so
        that what sticks out may be motion.
        """
        off = np.where(self.missing | self.held, 0.0, np.abs(self.y - self.z) / self.sigma[:, None])
        bursts = np.mean(off > 3.0, axis=1) > BY_CHANCE
        if self.known is not None:
            bursts = (
                np.zeros_like(bursts) if len(self.bursts) >= len(self.known) else self.known[len(self.bursts)]
            )
        self.bursts.append(bursts)
        far = off > np.where(bursts, MOST, FAR)[:, None]
        self.stiff[far] *= 2.0 * np.square(off[far] / MOST)
        return np.flatnonzero(far.any(axis=1))

    def _let_loose(self, at: Mask, times: float) -> None:
        """Lets the motion be livelier around some samples."""
        if at.any():
            reach = BESIDE if times == LIVELIER else 1
            near = np.convolve(at, np.ones(2 * reach + 1), "same") > 0
            self.jerk = np.where(near[1:-2], times * self.jerk, self.jerk)

    def _hz(self) -> list[float]:
        """Of each row that is smoothed, the frequency of which half is left."""
        return [
            float(frequency_of(self.sigma[i] ** 2 / np.median(self.jerk[i]), self.fps))
            for i in np.flatnonzero(self.smooths & (not self.still))
        ]

    def part(self) -> Part:
        hz = self._hz()
        half_left = float(np.median(hz)) if hz else 0.0
        return Part(self.missing, self.spikes, self.noise, half_left, tuple(self.bursts), self.least)


def _within(first: NDArray[np.intp], last: NDArray[np.intp], count: int) -> Mask:
    """(count,) what lies in runs that don't touch, from first to last."""
    step = np.zeros(count + 1, np.intp)
    step[first] += 1
    step[last + 1] -= 1
    return np.cumsum(step[:-1]) > 0
