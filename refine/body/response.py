"""How a part that has mass answers: the second-order response of a body that arrives with speed and holds.

    I x'' + c x' + k x = 0,   wn = sqrt(k / I),   zeta = c / (2 sqrt(k I)),   wd = wn sqrt(1 - zeta^2)

The damping is to the world. Damping between the links instead gives more overshoot and no lag at low frequencies;
this is the model of a part held against the space in which its control is written.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import acos, exp, log, pi, sin, sqrt

import numpy as np

from refine.shot import Array

ADULT_KG = 75.0  # the adult of the table in `body`
CREATURES = (
    -0.2
)  # fn ~ M^-0.2 [judge], between -0.15 (stride, Heglund & Taylor 1988) and -0.22 (Dickerson 2012) [pub]


@dataclass(frozen=True, slots=True)
class Response:
    """Natural frequency in Hz and damping ratio, 0 <= zeta < 1. Times are in seconds, speeds in any unit a second.

    ValueError for a frequency that isn't positive or a ratio outside that range.
    """

    hz: float
    zeta: float

    def __post_init__(self) -> None:
        if not (self.hz > 0 and 0 <= self.zeta < 1):
            raise ValueError(f"hz {self.hz:g}, zeta {self.zeta:g}: hz above 0 and zeta from 0 to below 1")

    @property
    def wn(self) -> float:
        """rad/s."""
        return 2 * pi * self.hz

    @property
    def wd(self) -> float:
        """rad/s, of the damped swing."""
        return self.wn * sqrt(1 - self.zeta**2)

    @property
    def gain(self) -> float:
        """G(zeta) = exp(-zeta acos(zeta) / sqrt(1 - zeta^2)): peak over v0 / wn; it tends to 1/e at zeta = 1."""
        return exp(-self.zeta * acos(self.zeta) / sqrt(1 - self.zeta**2))

    @property
    def peak_time(self) -> float:
        """From the arrival to the peak: acos(zeta) / wd."""
        return acos(self.zeta) / self.wd

    @property
    def step_peak_time(self) -> float:
        """From a step to the first peak: pi / wd."""
        return pi / self.wd

    @property
    def lag(self) -> float:
        """By which it follows a slow driver: 2 zeta / wn. Along a chain the lags add up."""
        return 2 * self.zeta / self.wn

    def overshoot(self, speed: float) -> float:
        """delta = (v0 / wn) G: how far a part that arrives with `speed` a second goes on."""
        return speed / self.wn * self.gain

    def landing(self, speed: float, size: float) -> float:
        """How far a part goes past its pose that stops after a move of `size` with `speed` a second.

        The free answer of `overshoot` takes the part for as fast as its driver, and it can't be after a move that is
        short beside its own period: as the time T = size / speed falls, that answer grows beyond all bounds. What
        moves it is then the eased drive's answer, `driven_overshoot`, which tends to the step's: 16 % of the move
        for zeta = 0.5. Up to 0.6 of a period the smaller of both holds, beyond that the free one; there they are
        within a sixth of each other.
        """
        free = self.overshoot(speed)
        if speed <= 0 or size / speed >= SHORT / self.hz:
            return free
        return min(free, size * _driven(self, round(size / speed, _DIGITS)))

    def free(self, seconds: Array, speed: float = 1.0) -> tuple[Array, Array]:
        """(N,) displacement and speed after arriving with `speed` at time 0; 0 before."""
        t = np.maximum(np.asarray(seconds, float), 0.0)
        fade = speed * np.exp(-self.zeta * self.wn * t)
        place = fade * np.sin(self.wd * t) / self.wd
        rate = fade * np.cos(self.wd * t) - self.zeta * self.wn * place
        return place, np.where(np.asarray(seconds) >= 0, rate, 0.0)

    def settled(self, share: float) -> float:
        """When the swing is within `share` of its first peak for good; exact, not from the envelope.

        inf for zeta = 0.
        """
        return _settled(self, share)

    def loaded(self, inertia: float, mass: float, arm: float) -> Response:
        """With a load `mass` carried at `arm` from the axis: I' = I + m r^2 scales fn and zeta by sqrt(I / I').

        The units of inertia, mass and arm only have to agree.
        """
        share = sqrt(inertia / (inertia + mass * arm**2))
        return replace(self, hz=self.hz * share, zeta=self.zeta * share)

    def of_mass(self, kg: float) -> Response:
        """The same part of a creature of another mass: fn ~ M^-0.2, the damping ratio kept."""
        return replace(self, hz=self.hz * (kg / ADULT_KG) ** CREATURES)


SHORT = 0.6  # of a period: a move that is over sooner drives its part, it doesn't carry it [judge]
_DIGITS = 4  # of a move's seconds: a ten-thousandth says nothing


@lru_cache(maxsize=256)
def _driven(response: Response, seconds: float) -> float:
    return driven_overshoot(response, seconds)


@lru_cache(maxsize=256)  # of a shot's few parts, asked for again and again
def _settled(response: Response, share: float) -> float:
    if response.zeta == 0:
        return float("inf")
    # Peaks stand at tp + k pi / wd and fall by exp(-pi zeta / sqrt(1 - zeta^2)): the last one above decides.
    # Under a heavy load that rounds to 1: its logarithm doesn't.
    fall = pi * response.zeta / sqrt(1 - response.zeta**2)
    k = max(int(np.floor(-log(share) / fall)), 0)
    low = response.peak_time + k * pi / response.wd
    high = low + pi / response.wd
    level, side = share * response.gain / response.wn, (-1) ** k
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        fade = exp(-response.zeta * response.wn * middle)
        above = side * fade * sin(response.wd * middle) / response.wd > level
        low, high = (middle, high) if above else (low, middle)
    return high


_HALVINGS = 50  # of an interval, to its last bits


def driven_overshoot(response: Response, seconds: float) -> float:
    """Overshoot of a part whose *driver* moves by minimum jerk in `seconds`, as a share of the move.

    x'' + 2 zeta wn x' + wn^2 (x - drive) = 0 from rest: the drive's speed (30 u^2 - 60 u^3 + 30 u^4 at u = t / T)
    is a crowd of small steps, each answered by the step response. Long moves by quick parts don't overshoot.
    """
    u = (np.arange(_STEPS) + 0.5) / _STEPS
    weight = (30 * u**2 - 60 * u**3 + 30 * u**4) / _STEPS
    t = np.linspace(0.0, seconds + 2 * response.step_peak_time, _TIMES)
    since = np.maximum(t[:, None] - seconds * u, 0.0)
    place, rate = response.free(since)
    stepped = (
        1 - rate - 2 * response.zeta * response.wn * place
    )  # wn^2 x = -x'' - 2 zeta wn x', integrated once
    return max(float((stepped @ weight).max()) - 1.0, 0.0)


_STEPS, _TIMES = 400, 800  # of the quadrature and of the search for the peak: five digits
