"""Runs that are killed, interrupted, doubled or given other numbers of threads end in the same bytes."""

import os
import pathlib
import random
import shutil
import signal
import subprocess
import time

import pytest

import cohorts

KILLS = 40


def tree(results):
    """Every result file's bytes, the log and the cache aside."""
    return {
        str(p.relative_to(results)): p.read_bytes()
        for p in sorted(results.rglob("*"))
        if p.is_file() and p.name != "run-log.jsonl" and ".keepstill" not in p.parts
    }


def same(got, expected):
    assert sorted(got) == sorted(expected)
    differing = [name for name in expected if got[name] != expected[name]]
    assert not differing, differing


@pytest.fixture(scope="module")
def cohort(tmp_path_factory, keepstill):
    """A made cohort, its study file, its results folder, an undisturbed run's files and how long that took."""
    folder = cohorts.mixed_cohort(tmp_path_factory.mktemp("interrupt") / "data")
    study, results = cohorts.mixed_study(folder, motion_terms="6")
    start = time.monotonic()
    keepstill("run", study, "--jobs", 1)
    took = time.monotonic() - start
    expected = tree(results)
    assert len(expected) > 40
    shutil.rmtree(results)
    return study, results, expected, took


@pytest.fixture()
def clear(cohort):
    shutil.rmtree(cohort[1], ignore_errors=True)
    yield
    shutil.rmtree(cohort[1], ignore_errors=True)


def start(keepstill, study, *more):
    return subprocess.Popen(
        [keepstill.path, "run", str(study), *more], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def wait_for(results, pattern, process):
    """Until a file that matches is there; the process is stopped at once, so that it cannot get further."""
    while process.poll() is None:
        if any(results.glob(pattern)):
            os.kill(process.pid, signal.SIGSTOP)
            return
        time.sleep(0.0005)
    pytest.fail(f"the run ended (exit {process.returncode}) before {pattern} was seen")


def test_jobs_do_not_change_a_bit(keepstill, cohort, clear):
    study, results, expected, _ = cohort
    keepstill("run", study, "--jobs", 2)
    same(tree(results), expected)


def test_a_second_run_changes_nothing(keepstill, cohort, clear):
    study, results, expected, _ = cohort
    for _ in range(2):
        keepstill("run", study)
        same(tree(results), expected)


def test_kill_at_random_moments(keepstill, cohort, clear):
    study, results, expected, took = cohort
    seeded = random.Random(23)
    stages = set()
    for kill in range(KILLS):
        shutil.rmtree(results, ignore_errors=True)
        process = start(keepstill, study, "--jobs", str(1 + kill % 2))
        # Spread over the whole of the run and a little beyond; the last kills of a run may come too late.
        time.sleep(took * 1.05 * (kill + seeded.random()) / KILLS)
        process.send_signal(signal.SIGKILL)
        process.wait()
        left = tree(results) if results.exists() else {}
        # No half file under a final name. The cohort's own files are whole too, but of fewer scans.
        for name, content in left.items():
            if name in expected and not name.startswith("cohort"):
                assert content == expected[name], f"kill {kill}: {name} is neither absent nor whole"
        stages.add(sum(name.endswith("_frames.tsv") for name in left))
        keepstill("run", study)
        same(tree(results), expected)
    # The kills did fall in the midst of the work, not all before or after it.
    assert len(stages) >= 3, stages


def test_killed_again_and_again_it_still_gets_done(keepstill, cohort, clear):
    study, results, expected, took = cohort
    seeded = random.Random(24)
    for _ in range(12):
        process = start(keepstill, study)
        time.sleep(took * seeded.random() * 0.4)
        process.send_signal(signal.SIGKILL)
        process.wait()
    keepstill("run", study)
    same(tree(results), expected)


def test_finished_scans_survive_a_kill(keepstill, cohort, clear):
    study, results, expected, _ = cohort
    process = start(keepstill, study, "--jobs", "1")
    wait_for(results, "sub-*/**/sub-*_frames.tsv", process)
    process.send_signal(signal.SIGKILL)
    process.wait()
    left = [name for name in tree(results) if name in expected and name.endswith("_frames.tsv")]
    assert left, sorted(map(str, results.rglob("*")))
    before = {name: (results / name).stat().st_mtime_ns for name in left}
    keepstill("run", study)
    same(tree(results), expected)
    assert before  # contents are equal by `same`; whether the file was written again is the program's affair


def test_interrupt_ends_with_130_and_goes_on(keepstill, cohort, clear):
    study, results, expected, _ = cohort
    process = start(keepstill, study, "--jobs", "1")
    wait_for(results, "sub-*/**/sub-*_frames.tsv", process)
    process.send_signal(signal.SIGINT)
    process.send_signal(signal.SIGCONT)
    assert process.wait(60) == 130
    for name, content in tree(results).items():
        if name in expected and not name.startswith("cohort"):
            assert content == expected[name]
    keepstill("run", study)
    same(tree(results), expected)


def test_second_run_at_once_is_refused(keepstill, cohort, clear):
    study, results, expected, _ = cohort
    first = start(keepstill, study, "--jobs", "1")
    wait_for(results, "sub-*/**/sub-*_frames.tsv", first)
    second = subprocess.run([keepstill.path, "run", str(study)], capture_output=True, text=True, timeout=60)
    first.send_signal(signal.SIGCONT)
    assert second.returncode == 1, second.stderr
    assert results.name in second.stderr
    assert first.wait(120) == 0
    same(tree(results), expected)


def test_changed_settings_and_inputs_are_noticed(keepstill, cohort, clear):
    """Other thresholds, then the old ones again; a scan replaced and put back: each time what a fresh run would
    give."""
    study, results, expected, _ = cohort
    keepstill("run", study)
    text = study.read_text()
    try:
        study.write_text(text.replace("fd_mm = 0.4", "fd_mm = 0.3"))
        keepstill("run", study)
        stricter = tree(results)
        assert stricter != expected
        shutil.rmtree(results)
        keepstill("run", study)
        same(tree(results), stricter)
    finally:
        study.write_text(text)
    keepstill("run", study)
    same(tree(results), expected)

    scan = pathlib.Path(study).parent / "scans" / "fay_a_1.nii.gz"
    kept = scan.read_bytes()
    try:
        other = pathlib.Path(study).parent / "scans" / "anna_a_1.nii.gz"
        motion = pathlib.Path(study).parent / "tables" / "fay_a_1_headmotion.tsv"
        assert other.exists() and motion.exists()
        import nibabel

        image = nibabel.load(scan)
        changed = nibabel.Nifti1Image(image.dataobj.get_unscaled()[::-1], None, image.header)
        changed.header.set_slope_inter(-0.5, 2000.0)
        nibabel.save(changed, scan)
        keepstill("run", study)
        assert tree(results) != expected
    finally:
        scan.write_bytes(kept)
    keepstill("run", study)
    same(tree(results), expected)
