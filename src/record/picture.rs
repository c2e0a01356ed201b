//! Slices in an archive: their pixels, one slice after another, in `picture_` members; everything else in its `meta`.

use std::io::{Seek, Write};

use ndarray::{Array1, s};
use ndarray_npy::{NpzWriter, WriteNpzError};
use serde::{Deserialize, Serialize};

use super::archive::{Archive, Checksum};
use super::error::RecordError;
use crate::picture::Slice;

/// Slices without their pixels, which lie one slice after another in the `picture_` members.
#[derive(Serialize, Deserialize)]
pub(super) struct SliceMeta {
    name: String,
    axis: usize,
    index: usize,
    width: usize,
    height: usize,
    pixel_mm: [f64; 2],
}

impl SliceMeta {
    pub(super) fn of(slice: &Slice) -> Self {
        let Slice { name, axis, index, width, height, pixel_mm, .. } = slice;
        Self { name: name.clone(), axis: *axis, index: *index, width: *width, height: *height, pixel_mm: *pixel_mm }
    }
}

/// Adds the pixels of slices to an archive.
pub(super) fn write_picture<W: Write + Seek>(npz: &mut NpzWriter<W>, picture: &[Slice]) -> Result<(), WriteNpzError> {
    let all = picture.iter();
    npz.add_array("picture_grey", &Array1::from_iter(all.clone().flat_map(|s| s.grey.iter().copied())))?;
    npz.add_array("picture_inside", &Array1::from_iter(all.clone().flat_map(|s| s.inside.iter().copied())))?;
    for atlas in 0..picture.first().map_or(0, |s| s.parcels.len()) {
        let pixels = all.clone().flat_map(|s| s.parcels[atlas].iter().copied());
        npz.add_array(format!("picture_parcels_{atlas}"), &Array1::from_iter(pixels))?;
    }
    Ok(())
}

/// Reads slices back.
pub(super) fn read_picture(
    archive: &mut Archive<'_>,
    slices: Vec<SliceMeta>,
    atlases: usize,
) -> Result<Vec<Slice>, RecordError> {
    let grey: Array1<u8> = archive.array("picture_grey")?;
    let inside: Array1<bool> = archive.array("picture_inside")?;
    let mut parcels: Vec<Array1<u32>> = Vec::with_capacity(atlases);
    for atlas in (0..atlases).filter(|_| !slices.is_empty()) {
        parcels.push(archive.array(&format!("picture_parcels_{atlas}"))?);
    }
    let pixels: usize = slices.iter().map(|s| s.width * s.height).sum();
    let lengths = [grey.len(), inside.len()].into_iter().chain(parcels.iter().map(|p| p.len()));
    if lengths.into_iter().any(|length| length != pixels) {
        return Err(archive.damaged(&"the picture's size does not fit its pixels"));
    }
    let mut start = 0;
    let made = slices.into_iter().map(|SliceMeta { name, axis, index, width, height, pixel_mm }| {
        let of = start..start + width * height;
        start = of.end;
        Slice {
            name,
            axis,
            index,
            width,
            height,
            pixel_mm,
            grey: grey.slice(s![of.clone()]).to_vec(),
            inside: inside.slice(s![of.clone()]).to_vec(),
            parcels: parcels.iter().map(|p| p.slice(s![of.clone()]).to_vec()).collect(),
        }
    });
    Ok(made.collect())
}

/// Adds slices to a checksum.
pub(super) fn sum_picture(sum: &mut Checksum, picture: &[Slice]) {
    for slice in picture {
        sum.bytes(slice.name.as_bytes());
        [slice.axis, slice.index, slice.width, slice.height].iter().for_each(|&n| sum.bytes(&(n as u64).to_le_bytes()));
        sum.numbers(&slice.pixel_mm);
        sum.bytes(&slice.grey);
        sum.bytes(&slice.inside.iter().map(|&f| u8::from(f)).collect::<Vec<u8>>());
        sum.bytes(&slice.parcels.iter().flatten().flat_map(|p| p.to_le_bytes()).collect::<Vec<u8>>());
    }
}
