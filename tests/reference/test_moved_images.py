"""`synth --move-images`: scipy, given the poses in truth/, makes later frames from the first one."""

import json

import nibabel
import numpy as np
import pytest
import scipy.ndimage
from scipy.spatial.transform import Rotation


@pytest.fixture(scope="module")
def cohort(keepstill, tmp_path_factory):
    folder = tmp_path_factory.mktemp("moved") / "cohort"
    keepstill("synth", folder, "--children", 2, "--frames", 60, "--seed", 4, "--grid", "whole", "--move-images")
    return folder


def resampled(volume, affine, turn, shift):
    """The volume as it looks when the head moves by x ↦ turn·x + shift, by cubic splines."""
    back = np.linalg.inv(affine[:3, :3]) @ turn.T
    matrix = back @ affine[:3, :3]
    offset = back @ (affine[:3, 3] - shift) - np.linalg.inv(affine[:3, :3]) @ affine[:3, 3]
    return scipy.ndimage.affine_transform(volume, matrix, offset, order=3, mode="nearest")


@pytest.mark.parametrize("child", ["sub-01", "sub-02"])
def test_frames_are_the_first_one_moved_as_the_poses_say(cohort, child):
    told = json.loads((cohort / "truth/truth.json").read_text())
    assert told["moved_images"]["pivot_mm"] == [0, 0, 0] and told["settings"]["move_images"] is True
    image = nibabel.load(cohort / f"{child}/func/{child}_task-rest_run-1_bold.nii.gz")
    frames = np.asarray(image.dataobj, dtype=float)
    poses = np.loadtxt(cohort / f"truth/{child}_task-rest_run-1_pose.tsv", skiprows=1)
    table = np.loadtxt(cohort / f"{child}/func/{child}_task-rest_run-1_headmotion.tsv", skiprows=1)
    assert np.abs(poses[:, :6] - table).max() < 1e-6
    brain = np.asarray(nibabel.load(cohort / f"{child}/func/{child}_desc-brain_mask.nii.gz").dataobj) > 0
    inner = scipy.ndimage.binary_erosion(brain, iterations=3)
    edge = scipy.ndimage.binary_dilation(brain, iterations=2) & ~scipy.ndimage.binary_erosion(brain, iterations=2)
    # Slices that were not scanned are air in every frame; keep away from them.
    edge[:, :, : np.flatnonzero(brain.any((0, 1)))[0] + 4] = False

    turns = Rotation.from_euler("xyz", poses[:, 3:6]).as_matrix()  # lower case: about fixed axes, x first
    moved = np.linalg.norm(poses[:, :3] - poses[0, :3], axis=1)
    level = lambda volume: volume / np.median(volume[inner])
    for i in np.argsort(moved)[[-1, -5]]:
        error = lambda guess: np.sqrt(np.mean((level(guess) - level(frames[..., i]))[edge] ** 2))
        after = lambda turn, shift: error(resampled(frames[..., 0], image.affine, turn, shift))
        turn = turns[i] @ turns[0].T
        shift = poses[i, :3] - turn @ poses[0, :3]
        right = after(turn, shift)
        # Noise of both frames is √2/70 of the brightness at most; signals, and what motion takes away, a few percent.
        assert right < 0.04
        # Nothing else does as well: no move, the move the wrong way round, without its turn, 0.2 mm beside it.
        assert error(frames[..., 0]) > 2 * right
        assert after(turn.T, -turn.T @ shift) > 4 * right
        assert after(np.eye(3), shift) > 1.05 * right
        assert min(after(turn, shift + 0.2), after(turn, shift - 0.2)) > 1.2 * right
