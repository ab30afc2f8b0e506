"""Every constraint, by name; a test compares this list with the folder."""

from __future__ import annotations

from constraints.bounds import Bounds
from constraints.contact import Contact
from constraints.extension import Extension
from constraints.overshoot import Overshoot
from constraints.pins import Pins
from constraints.slope_habit import SlopeHabit
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose

CATALOG = {
    "bounds": Bounds,
    "contact": Contact,
    "extension": Extension,
    "overshoot": Overshoot,
    "pins": Pins,
    "slope_habit": SlopeHabit,
    "smooth_motion": SmoothMotion,
    "stay_close": StayClose,
}
