"""All rows of the scoreboard: each fault of the catalogue, in keyed and in baked shots as far as it occurs there."""

from __future__ import annotations

from benchmarks.planted import (
    bases,
    body,
    bones,
    coverage,
    displaced,
    feet,
    flight,
    gaze,
    keys,
    loops,
    props,
    rotations,
    still,
)
from benchmarks.planted.planted import Row

ROWS: tuple[Row, ...] = (
    Row("uneven spacing", "keyed", bases.keyed, displaced.uneven_keyed, displaced.measure_key),
    Row("uneven spacing", "baked", bases.baked, displaced.uneven, displaced.measure_uneven),
    Row("kinked arc", "keyed", bases.keyed, displaced.kinked_keyed, displaced.measure_key),
    Row("kinked arc", "baked", bases.baked, displaced.kinked, displaced.measure_kink),
    Row("stray slope", "keyed", bases.keyed, keys.stray_slope, keys.measure_stray),
    Row("moved key", "keyed", bases.keyed, keys.moved_key, displaced.measure_key),
    Row("zigzag", "keyed", bases.keyed, keys.zigzag, displaced.measure_key),
    Row("spike", "keyed", bases.keyed, displaced.spike_keyed, displaced.measure_spike),
    Row("spike", "baked", bases.baked, displaced.spike, displaced.measure_spike),
    Row("jitter", "baked", bases.baked, still.jitter, still.measure_jitter),
    Row("dead stop", "keyed", bases.keyed, body.plant, body.measure_stop, banded=True),
    Row("dead stop", "baked", bases.keyed, body.plant_baked, body.measure_stop, banded=True),
    Row("too much overshoot", "keyed", bases.keyed, body.plant_swing, body.measure_swing, banded=True),
    Row("sliding contact", "keyed", feet.walk, feet.slide_keyed, feet.measure_slide, uses_clip=False),
    Row("sliding contact", "baked", feet.standing_clip, feet.slide_baked, feet.measure_drift, banded=True),
    Row("through floor", "keyed", feet.walk, feet.sink, feet.measure_sink, uses_clip=False),
    Row("through floor", "baked", feet.baked_walk, feet.sink, feet.measure_sink, uses_clip=False),
    Row("straight limb pop", "keyed", bases.keyed, bones.pop, bones.measure_pop, banded=True),
    Row("straight limb pop", "baked", bases.baked, bones.pop, bones.measure_pop, banded=True),
    Row("angle wrap", "keyed", bases.keyed, rotations.plant, rotations.measure),
    Row("angle wrap", "baked", bases.baked, rotations.plant_baked, rotations.measure, banded=True),
    Row("gaze off target", "keyed", gaze.looking, gaze.plant, gaze.measure),
    Row("eyes diverge", "keyed", gaze.with_two_eyes, gaze.plant_apart, gaze.measure_apart),
    Row("never animated", "keyed", bases.keyed, coverage.never_animated, coverage.measure_never, banded=True),
    Row("never animated", "baked", bases.baked, coverage.never_animated, coverage.measure_never, banded=True),
    Row("twinned sides", "keyed", bases.keyed, coverage.twins, coverage.measure_twins, banded=True),
    Row("twinned sides", "baked", bases.baked, coverage.twins, coverage.measure_twins, banded=True),
    Row("frozen hold", "keyed", still.living, still.frozen_keyed, still.measure_frozen, banded=True),
    Row("frozen hold", "baked", bases.baked, still.frozen_baked, still.measure_frozen, banded=True),
    Row("missing overlap", "keyed", bases.keyed, coverage.no_overlap, coverage.measure_overlap, banded=True),
    Row("missing overlap", "baked", bases.baked, coverage.no_overlap, coverage.measure_overlap, banded=True),
    Row("loop seam", "keyed", loops.looping_clip, loops.plant, loops.measure),
    Row("loop seam", "baked", loops.baked_loop, loops.plant_baked, loops.measure),
    Row("dropout", "baked", bases.baked, still.dropout, still.measure_dropout),
    Row("doubled key", "keyed", bases.keyed, keys.doubled, keys.measure_doubled, banded=True),
    Row("off-frame key", "keyed", bases.keyed, keys.off_frame, keys.measure_off_frame, banded=True),
    Row("past limit", "keyed", bases.keyed, keys.past_limit, keys.measure_limit, banded=True),
    Row("past limit", "baked", bases.baked, keys.past_limit, keys.measure_limit, banded=True),
    Row("changed bone length", "keyed", bones.stretchy_keyed, bones.length, bones.measure_length),
    Row("changed bone length", "baked", bones.stretchy_baked, bones.length, bones.measure_length),
    Row("leftover step", "keyed", bases.keyed, keys.leftover_step, keys.measure_step),
    Row(
        "false flight", "keyed", flight.jump_keyed, flight.plant, flight.measure, banded=True, uses_clip=False
    ),
    Row(
        "false flight", "baked", flight.jump_baked, flight.plant, flight.measure, banded=True, uses_clip=False
    ),
    Row("attachment pop", "keyed", props.holding_keyed, props.pop, props.measure, banded=True),
    Row("attachment pop", "baked", props.holding_baked, props.pop, props.measure, banded=True),
)
