use std::fs;
use std::path::{Path, PathBuf};

use ndarray::{ArrayD, IxDyn};

use super::*;
use crate::nifti::{Affine, write_image};

const IDENTITY: Affine = Affine([[1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]]);

fn labels(folder: &Path, shape: [usize; 3], affine: Affine, value: impl Fn([usize; 3]) -> i16) -> PathBuf {
    let path = folder.join("atlas.nii.gz");
    let image = ArrayD::from_shape_fn(IxDyn(&shape), |i| value([i[0], i[1], i[2]]));
    write_image(&path, &image.view(), &affine, None, 1).unwrap();
    path
}

fn settings(image: PathBuf, table: Option<PathBuf>) -> ParcelsSettings {
    ParcelsSettings { name: "a".to_owned(), image, labels: table, least_coverage: 0.5 }
}

#[test]
fn gaps_in_labels_and_the_tables_order() {
    let folder = tempfile::tempdir().unwrap();
    let image = labels(folder.path(), [4, 1, 1], IDENTITY, |i| [0, 7, 2, 7][i[0]]);
    let plain = Atlas::read(&settings(image.clone(), None)).unwrap();
    let names: Vec<&str> = plain.parcels.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["parcel2", "parcel7"]);
    let table = folder.path().join("atlas.tsv");
    fs::write(&table, "name\tindex\tnetwork\nlate\t7\tfar\nearly\t2\tn/a\nabsent\t9\tfar\n").unwrap();
    let named = Atlas::read(&settings(image, Some(table))).unwrap();
    let grid = Grid { shape: [4, 1, 1], affine: IDENTITY };
    let on = named.on(&grid);
    assert_eq!(on.members, [(1, 0, 1.0), (2, 1, 1.0), (3, 0, 1.0)]);
    assert_eq!(on.voxels, [2, 1, 0]);
    assert_eq!(on.centroid_mm[0], [2.0, 0.0, 0.0]);
    assert!(on.centroid_mm[2][0].is_nan());
    assert_eq!(named.parcels[1].network, None);
}

#[test]
fn a_fourth_axis_of_one_volume_is_still_labels() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("atlas.nii");
    let image = ArrayD::from_shape_fn(IxDyn(&[3, 1, 1, 1]), |i| i[0] as i16);
    write_image(&path, &image.view(), &IDENTITY, None, 1).unwrap();
    let atlas = Atlas::read(&settings(path, None)).unwrap();
    let on = atlas.on(&Grid { shape: [3, 1, 1], affine: IDENTITY });
    assert_eq!(on.members, [(1, 0, 1.0), (2, 1, 1.0)]);
}

#[test]
fn labels_on_a_finer_mirrored_grid() {
    let folder = tempfile::tempdir().unwrap();
    let image = labels(folder.path(), [3, 1, 1], IDENTITY, |i| i[0] as i16 + 1);
    let atlas = Atlas::read(&settings(image, None)).unwrap();
    // Voxels of half the size, x running backwards from 2.25: centres 2.25, 1.75, … −0.75.
    let affine = Affine([[-0.5, 0.0, 0.0, 2.25], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]]);
    let on = atlas.on(&Grid { shape: [7, 1, 1], affine });
    let found: Vec<(usize, usize)> = on.members.iter().map(|m| (m.0, m.1)).collect();
    assert_eq!(found, [(0, 2), (1, 2), (2, 1), (3, 1), (4, 0), (5, 0)]);
    // Two voxels of half a mm³ each for a parcel of one: all of it.
    assert!(on.require_overlap("a", &[true; 7]).is_ok());
    let error = on.require_overlap("a", &[false; 7]).unwrap_err().to_string();
    assert!(error.starts_with("the atlas a and the brain mask share 0.0 % of the atlas's volume"), "{error}");
}

#[test]
fn weights_between_voxels() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("weights.nii");
    let image = ArrayD::from_shape_fn(IxDyn(&[3, 1, 1, 2]), |i| [[4_i16, 8, 0], [0, 2, 6]][i[3]][i[0]]);
    write_image(&path, &image.view(), &IDENTITY, None, 1).unwrap();
    let atlas = Atlas::read(&settings(path, None)).unwrap();
    let affine = Affine([[0.5, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]]);
    let on = atlas.on(&Grid { shape: [6, 1, 1], affine });
    let of = |parcel: usize| on.members.iter().filter(|m| m.1 == parcel).map(|m| (m.0, m.2)).collect::<Vec<_>>();
    assert_eq!(of(0), [(0, 4.0), (1, 6.0), (2, 8.0), (3, 4.0)]);
    // Outside the weights' grid they are 0, so the last voxel, half outside, has half.
    assert_eq!(of(1), [(1, 1.0), (2, 2.0), (3, 4.0), (4, 6.0), (5, 3.0)]);
    assert_eq!(on.weight, [22.0, 16.0]);
}

#[test]
fn wrong_atlases_are_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let table = |text: &str| {
        fs::write(path("t.tsv"), text).unwrap();
        Some(path("t.tsv"))
    };
    let say = |image: &PathBuf, table: Option<PathBuf>| {
        let error = Atlas::read(&settings(image.clone(), table)).unwrap_err().to_string();
        error.replace(&format!("{}/", folder.path().display()), "")
    };
    let image = labels(folder.path(), [3, 1, 1], IDENTITY, |i| i[0] as i16);
    assert_eq!(
        say(&image, table("index\tname\n1\tone\n")),
        "t.tsv: the atlas atlas.nii.gz holds labels that this table does not name: 2; add a row for each, or leave \
        `labels` out of the study file"
    );
    assert_eq!(
        say(&image, table("index\tname\n1\tone\n1\ttwo\n")),
        "t.tsv line 3: the index \"1\" is there twice; each parcel needs its own"
    );
    assert_eq!(
        say(&image, table("index\tname\n1\tone\n2\tone\n")),
        "t.tsv line 3: the name \"one\" is there twice; each parcel needs its own"
    );
    assert_eq!(
        say(&image, table("index\tname\n1.5\tone\n")),
        "t.tsv line 2: the index is \"1.5\", but it must be a whole number above 0"
    );
    assert_eq!(
        say(&image, table("index\tlabel\n1\tone\n")),
        "t.tsv: the labels table needs the columns index and name; \"name\" is not there"
    );
    assert_eq!(
        say(&image, table("index\tname\n1\tn/a\n")),
        "t.tsv line 2: the parcel has no name; name it, or take the row out"
    );

    let negative = labels(folder.path(), [2, 1, 1], IDENTITY, |i| -(i[0] as i16));
    assert_eq!(
        say(&negative, None),
        "atlas.nii.gz: voxel (1, 0, 0) holds -1, but a 3-D atlas holds whole labels of 0 or more; for weights give a \
        4-D image with one parcel a volume"
    );
    let empty = labels(folder.path(), [2, 1, 1], IDENTITY, |_| 0);
    assert_eq!(
        say(&empty, None),
        "atlas.nii.gz: the atlas holds no parcel: every voxel is background; check that this is the atlas"
    );
}
