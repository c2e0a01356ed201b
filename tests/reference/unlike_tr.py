"""One continuous movement, sampled at five repetition times: what censoring keeps of it.

Run it to print the tables of docs/unlike-tr.md:

    tests/.venv/bin/python tests/reference/unlike_tr.py

Everything is direct arithmetic in numpy. `test_unlike_tr.py` holds the program to the same numbers, and the page to
this script. The movement is invented: a slow wander whose restlessness comes and goes, and bursts of a second or two.
"""

import math

import numpy as np

TRS = [0.6, 0.8, 1.35, 2.0, 3.0]
MINUTES = 20
# Every repetition time is a whole number of these steps.
STEP_S = 0.05
RADIUS_MM = 50.0
# The defaults of the study file.
DEFAULTS = {"fd_mm": 0.2, "before": 1, "after": 2, "shortest_stretch": 5}
# The same lengths in seconds, as they are at a repetition time of 2 s, and the longest repetition time as the span.
IN_SECONDS = {"before_s": 2.0, "after_s": 4.0, "shortest_stretch_s": 10.0, "fd_span_s": 3.0}
SEED = 14


def movement():
    """Head positions every STEP_S: translations in mm, rotations in rad [steps, 3]."""
    rng = np.random.default_rng(SEED)
    steps = round(MINUTES * 60 / STEP_S)
    time = np.arange(steps) * STEP_S

    def smooth(values, seconds):
        kernel = np.hanning(round(seconds / STEP_S) + 2)
        return np.stack([np.convolve(column, kernel / kernel.sum(), "same") for column in values.T], axis=1)

    # Restlessness comes and goes over a minute or so.
    restless = smooth(rng.normal(size=(steps, 1)), 60)
    restless = np.exp(0.9 * restless / restless.std())
    velocity = smooth(rng.normal(size=(steps, 6)), 4)
    velocity = velocity / velocity.std(axis=0) * restless * np.array([0.025] * 3 + [0.025 / RADIUS_MM] * 3)
    position = np.cumsum(velocity * STEP_S, axis=0)
    for start in rng.uniform(5, MINUTES * 60 - 5, 14):
        length = rng.uniform(0.5, 2.0)
        shift = rng.normal(size=6) * np.array([0.3] * 3 + [0.3 / RADIUS_MM] * 3)
        position += np.outer(np.clip((time - start) / length, 0, 1), shift)
    return position[:, :3], position[:, 3:]


def sampled(tr_s):
    """The movement at the start of each frame."""
    every = round(tr_s / STEP_S)
    trans, rot = movement()
    frames = int(MINUTES * 60 / tr_s)
    return trans[::every][:frames], rot[::every][:frames]


def frames_covering(seconds, tr_s):
    """The fewest frames that last at least so long."""
    return next(n for n in range(10**6) if n * tr_s >= seconds - 1e-9)


def nearest_frames(seconds, tr_s):
    """The whole number of frames nearest to so long, at least 1; half a frame rounds up."""
    return max(1, math.floor(seconds / tr_s + 0.5))


def fd_over(trans, rot, span):
    """Displacement between frame i - span and frame i, sum form, mm; NaN in the first `span` frames."""
    fd = np.full(len(trans), np.nan)
    for i in range(span, len(trans)):
        fd[i] = np.abs(trans[i] - trans[i - span]).sum() + RADIUS_MM * np.abs(rot[i] - rot[i - span]).sum()
    return fd


def kept(fd, fd_mm, before, after, shortest_stretch):
    """Which frames are kept."""
    frames = len(fd)
    keep = np.ones(frames, bool)
    for i in np.flatnonzero(np.nan_to_num(fd) > fd_mm):
        keep[max(0, i - before) : i + after + 1] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], keep.astype(int), [0]])))
    for start, end in zip(edges[::2], edges[1::2]):
        if end - start < shortest_stretch:
            keep[start:end] = False
    return keep


def kept_by_frames(tr_s, settings=None):
    """With lengths in frames, and displacement from frame to frame."""
    trans, rot = sampled(tr_s)
    return kept(fd_over(trans, rot, 1), **(settings or DEFAULTS))


def kept_by_seconds(tr_s, fd_mm):
    """With lengths in seconds, and displacement over the span."""
    trans, rot = sampled(tr_s)
    lengths = {key: frames_covering(IN_SECONDS[f"{key}_s"], tr_s) for key in ["before", "after", "shortest_stretch"]}
    return kept(fd_over(trans, rot, nearest_frames(IN_SECONDS["fd_span_s"], tr_s)), fd_mm, **lengths)


def minutes(keep, tr_s):
    return keep.sum() * tr_s / 60


def limit_for_span(tr_s=2.0):
    """The least limit for the span, in steps of 0.01 mm, that keeps as much at one repetition time as the defaults."""
    wanted = minutes(kept_by_frames(tr_s), tr_s)
    return next(mm / 100 for mm in range(1, 1000) if minutes(kept_by_seconds(tr_s, mm / 100), tr_s) >= wanted)


def table():
    """The rows of docs/unlike-tr.md."""
    limit = limit_for_span()
    yield (
        f"| TR, s | mean FD, frame to frame, mm | minutes kept by the defaults ({DEFAULTS['fd_mm']} mm) | "
        f"span, frames | mean FD over the span, mm | minutes kept in seconds ({limit} mm) |"
    )
    yield "|---|---|---|---|---|---|"
    for tr_s in TRS:
        span = nearest_frames(IN_SECONDS["fd_span_s"], tr_s)
        by_frames, by_seconds = minutes(kept_by_frames(tr_s), tr_s), minutes(kept_by_seconds(tr_s, limit), tr_s)
        means = [np.nanmean(fd_over(*sampled(tr_s), frames)) for frames in (1, span)]
        yield f"| {tr_s:g} | {means[0]:.3f} | {by_frames:.1f} | {span} | {means[1]:.3f} | {by_seconds:.1f} |"


if __name__ == "__main__":
    print("\n".join(table()))
