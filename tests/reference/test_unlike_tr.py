"""One movement at five repetition times (`unlike_tr.py`): the program's displacement over a span, its lengths in
seconds and its kept frames against direct arithmetic, and docs/unlike-tr.md against the same script."""

import pathlib

import numpy as np
import pytest

import unlike_tr as u

PAGE = pathlib.Path(__file__).resolve().parents[2] / "docs" / "unlike-tr.md"


def program_fd(stages, tr_s, span_s):
    trans, rot = u.sampled(tr_s)
    span = {} if span_s is None else {"span_s": span_s}
    got = stages(
        "displacement", translation_mm=trans, rotation_rad=rot, radius_mm=u.RADIUS_MM, order="xyz", tr_s=tr_s, **span
    )
    return np.array(got["sum"], dtype=float)


def program_kept(stages, fd, tr_s, **settings):
    nothing = [None] * len(fd)
    logged = [False] * len(fd)
    got = stages("censor", fd=fd, dvars=nothing, logged=logged, dvars_percent=0, settling=0, tr_s=tr_s, **settings)
    return np.array(got["kept"])


@pytest.mark.parametrize("tr_s", u.TRS)
@pytest.mark.parametrize("span_s", [None, 0.5, 3.0, 6.0])
def test_displacement_over_a_span(stages, tr_s, span_s):
    span = 1 if span_s is None else u.nearest_frames(span_s, tr_s)
    expected = u.fd_over(*u.sampled(tr_s), span)
    got = program_fd(stages, tr_s, span_s)
    assert np.isnan(got).sum() == span and np.array_equal(np.isnan(got), np.isnan(expected))
    assert np.nanmax(np.abs(got - expected)) < 1e-12


@pytest.mark.parametrize("tr_s", u.TRS)
def test_kept_frames(stages, tr_s):
    by_frames = program_kept(stages, program_fd(stages, tr_s, None), tr_s, **u.DEFAULTS)
    assert np.array_equal(by_frames, u.kept_by_frames(tr_s))
    limit = u.limit_for_span()
    lengths = {key: value for key, value in u.IN_SECONDS.items() if key != "fd_span_s"}
    by_seconds = program_kept(stages, program_fd(stages, tr_s, u.IN_SECONDS["fd_span_s"]), tr_s, fd_mm=limit, **lengths)
    assert np.array_equal(by_seconds, u.kept_by_seconds(tr_s, limit))


def test_seconds_make_minutes_alike():
    limit = u.limit_for_span()
    by_frames = [u.minutes(u.kept_by_frames(tr_s), tr_s) for tr_s in u.TRS]
    by_seconds = [u.minutes(u.kept_by_seconds(tr_s, limit), tr_s) for tr_s in u.TRS]
    assert all(longer < shorter for shorter, longer in zip(by_frames, by_frames[1:]))
    assert max(by_frames) > 5 * min(by_frames)
    assert max(by_seconds) < 1.2 * min(by_seconds)
    assert limit > u.DEFAULTS["fd_mm"], "a limit for a span is another number"


def test_the_page_has_these_numbers():
    assert "\n".join(u.table()) in PAGE.read_text()
