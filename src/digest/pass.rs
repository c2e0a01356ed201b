//! The accumulators of one reading.

use ndarray::{Array1, Array2};

use super::{AtlasDigest, Digest, DigestError, TissueDigest, Volumes, Wanted};
use crate::study::settings::Tissue;

/// State of a reading; all `Vec`s named for voxels are over the brain mask's voxels, by rising voxel.
pub(super) struct Pass<'a> {
    wanted: &'a Wanted<'a>,
    /// Runs of brain-mask voxels in the volume: (start, length); then those of the pictured voxels around it.
    runs: Vec<(usize, usize)>,
    voxels: usize,
    /// Where each pictured voxel is: among the brain mask's, or after them among those around it.
    pictured: Vec<usize>,
    /// Sums over all frames of the pictured voxels around the mask.
    around: Vec<f64>,
    tissues: Vec<TissuePass>,
    atlases: Vec<AtlasPass>,
    /// Voxels known not to be finite in some frame.
    dead: Vec<bool>,
    /// Whether a voxel died after its first frame had been counted.
    lost: bool,
    first: Vec<f64>,
    /// Sum and sum of squares of the differences from the first frame.
    sum: Vec<f64>,
    squares: Vec<f64>,
    /// Differences from the first frame, of this frame and of the one before; after them, the values around the mask.
    now: Vec<f64>,
    before: Vec<f64>,
    /// Per frame: sum of differences, and of squared frame-to-frame differences.
    brain_sums: Vec<f64>,
    step_squares: Vec<f64>,
}

struct TissuePass {
    tissue: Tissue,
    /// Positions among the brain-mask voxels.
    members: Vec<usize>,
    sums: Vec<f64>,
    series: Option<Vec<f64>>,
}

struct AtlasPass {
    parcels: usize,
    /// (position among the brain-mask voxels, parcel, weight).
    members: Vec<(u32, u32, f64)>,
    /// Whether every weight is 1.
    plain: bool,
    sums: Vec<f64>,
}

impl<'a> Pass<'a> {
    pub(super) fn new(wanted: &'a Wanted<'a>) -> Self {
        let mut runs: Vec<(usize, usize)> =
            crate::stretches::stretches(wanted.brain).into_iter().map(|(a, b)| (a, b - a)).collect();
        let mut position = vec![u32::MAX; wanted.brain.len()];
        let mut voxels = 0_u32;
        for (slot, _) in position.iter_mut().zip(wanted.brain).filter(|(_, inside)| **inside) {
            *slot = voxels;
            voxels += 1;
        }
        let voxels = voxels as usize;
        let mut around = 0;
        let pictured = wanted
            .pictured
            .iter()
            .map(|&voxel| {
                if position[voxel] != u32::MAX {
                    return position[voxel] as usize;
                }
                match runs.last_mut().filter(|_| around > 0) {
                    Some((start, length)) if *start + *length == voxel => *length += 1,
                    _ => runs.push((voxel, 1)),
                }
                around += 1;
                voxels + around - 1
            })
            .collect();
        let tissues = wanted
            .tissues
            .iter()
            .map(|&(tissue, mask)| {
                assert_eq!(mask.len(), position.len(), "one flag per voxel");
                let inside = (0..mask.len()).filter(|&i| mask[i] && position[i] != u32::MAX);
                let members = inside.map(|i| position[i] as usize).collect();
                TissuePass { tissue, members, sums: Vec::new(), series: wanted.keep_tissue_voxels.then(Vec::new) }
            })
            .collect();
        let atlases = wanted
            .atlases
            .iter()
            .map(|atlas| {
                let inside = atlas.members.iter().filter(|m| position[m.0] != u32::MAX);
                let members: Vec<(u32, u32, f64)> = inside.map(|m| (position[m.0], m.1 as u32, m.2)).collect();
                let plain = members.iter().all(|m| m.2 == 1.0);
                AtlasPass { parcels: atlas.parcels, members, plain, sums: Vec::new() }
            })
            .collect();
        let zeros = || vec![0.0; voxels];
        Self {
            wanted,
            runs,
            voxels,
            pictured,
            around: vec![0.0; around],
            tissues,
            atlases,
            dead: vec![false; voxels],
            lost: false,
            first: zeros(),
            sum: zeros(),
            squares: zeros(),
            now: vec![0.0; voxels + around],
            before: vec![0.0; voxels + around],
            brain_sums: Vec::new(),
            step_squares: Vec::new(),
        }
    }

    /// Whether a second reading is needed.
    pub(super) fn lost_voxels(&self) -> bool {
        self.lost
    }

    /// Forgets everything but which voxels are dead.
    pub(super) fn restart(&mut self) {
        self.lost = false;
        for field in [&mut self.sum, &mut self.squares, &mut self.around] {
            field.fill(0.0);
        }
        self.brain_sums.clear();
        self.step_squares.clear();
        for tissue in &mut self.tissues {
            tissue.sums.clear();
            if let Some(series) = &mut tissue.series {
                series.clear();
            }
        }
        self.atlases.iter_mut().for_each(|atlas| atlas.sums.clear());
    }

    /// Reads every volume; gives the file's content hash.
    pub(super) fn read(
        &mut self,
        stream: &mut dyn Volumes,
        on_frame: &dyn Fn(usize) -> bool,
    ) -> Result<String, DigestError> {
        /// How often progress is told.
        const EVERY: usize = 10;
        let header = stream.header();
        // Integers become infinite when a header's slope is near the largest number there is (2^64 · 1e288 is not).
        let can_be_not_finite = header.dtype.is_float() || header.slope.abs().max(header.inter.abs()) > 1e288;
        let mut frame = 0;
        while stream.next_values(&self.runs, &mut self.now)? {
            if can_be_not_finite {
                self.bury(frame);
            }
            self.add(frame);
            frame += 1;
            if frame % EVERY == 0 && !on_frame(frame) {
                return Err(DigestError::Stopped);
            }
        }
        on_frame(frame);
        Ok(stream.content_hash()?)
    }

    /// Marks voxels that are not finite and takes dead ones out of the frame.
    fn bury(&mut self, frame: usize) {
        // The sum of all values times 0 is 0 exactly when all are finite: one quick check per frame.
        let all_finite = self.now[..self.voxels].iter().fold(0.0, |sum, v| sum + v * 0.0) == 0.0;
        if all_finite && !self.dead.contains(&true) {
            return;
        }
        for i in 0..self.voxels {
            if !self.now[i].is_finite() && !self.dead[i] {
                self.dead[i] = true;
                self.lost |= frame > 0;
            }
            if self.dead[i] {
                self.now[i] = if frame == 0 { 0.0 } else { self.first[i] };
            }
        }
    }

    /// Adds a decoded frame to every sum.
    fn add(&mut self, frame: usize) {
        if frame == 0 {
            self.first.copy_from_slice(&self.now[..self.voxels]);
            self.now[..self.voxels].fill(0.0);
        } else {
            let state = self.now.iter_mut().zip(&self.first).zip(self.sum.iter_mut().zip(self.squares.iter_mut()));
            for ((now, first), (sum, squares)) in state {
                *now -= first;
                *sum += *now;
                *squares += *now * *now;
            }
            self.step_squares.push(sum_of_squared_differences(&self.now[..self.voxels], &self.before[..self.voxels]));
        }
        self.around.iter_mut().zip(&self.now[self.voxels..]).for_each(|(sum, value)| *sum += value);
        self.brain_sums.push(sum(&self.now[..self.voxels]));
        for tissue in &mut self.tissues {
            tissue.sums.push(tissue.members.iter().map(|&i| self.now[i]).sum());
            if let Some(series) = &mut tissue.series {
                series.extend(tissue.members.iter().map(|&i| self.now[i]));
            }
        }
        for atlas in &mut self.atlases {
            let start = atlas.sums.len();
            atlas.sums.resize(start + atlas.parcels, 0.0);
            let sums = &mut atlas.sums[start..];
            if atlas.plain {
                for &(i, parcel, _) in &atlas.members {
                    sums[parcel as usize] += self.now[i as usize];
                }
            } else {
                for &(i, parcel, weight) in &atlas.members {
                    sums[parcel as usize] += weight * self.now[i as usize];
                }
            }
        }
        std::mem::swap(&mut self.now, &mut self.before);
    }

    /// The digest; none when no voxel is alive.
    pub(super) fn finish(self, content: String) -> Option<Digest> {
        let frames = self.brain_sums.len();
        let count = frames as f64;
        let alive: Vec<bool> = (0..self.voxels).map(|i| !self.dead[i] && self.squares[i] > 0.0).collect();
        let alive_voxels = alive.iter().filter(|a| **a).count();
        if alive_voxels == 0 {
            return None;
        }
        let mean_of = |i: usize| self.first[i] + self.sum[i] / count;

        let finite: Vec<usize> = (0..self.voxels).filter(|&i| !self.dead[i]).collect();
        let median_of_mean_image = median(finite.iter().map(|&i| mean_of(i)).collect());
        let scale = if median_of_mean_image > 0.0 { 100.0 / median_of_mean_image } else { f64::NAN };
        let steps = self.step_squares.iter().map(|s| (s / finite.len() as f64).sqrt() * scale);
        let dvars_percent = std::iter::once(f64::NAN).chain(steps).collect();

        let pictured = self.pictured.iter().map(|&i| match i.checked_sub(self.voxels) {
            Some(outside) => self.around[outside] / count,
            None if self.dead[i] => f64::NAN,
            None => mean_of(i),
        });
        let pictured = pictured.collect();

        let tsnr = |i: usize| {
            let shift = self.sum[i] / count;
            mean_of(i) / (self.squares[i] / count - shift * shift).max(0.0).sqrt()
        };
        let tsnr_median = median((0..self.voxels).filter(|&i| alive[i]).map(tsnr).collect());

        let base = |members: &mut dyn Iterator<Item = usize>| -> (usize, f64) {
            members.filter(|&i| alive[i]).fold((0, 0.0), |(n, sum), i| (n + 1, sum + self.first[i]))
        };
        let mean_series = |(voxels, first): (usize, f64), sums: &[f64]| -> Array1<f64> {
            sums.iter().map(|s| (first + s) / voxels as f64).collect()
        };
        let global_signal = mean_series(base(&mut (0..self.voxels)), &self.brain_sums);
        let tissues = self
            .tissues
            .iter()
            .map(|tissue| {
                let (voxels, first) = base(&mut tissue.members.iter().copied());
                let series = tissue.series.as_ref().map(|series| {
                    let columns: Vec<usize> = (0..tissue.members.len()).filter(|&m| alive[tissue.members[m]]).collect();
                    let width = tissue.members.len();
                    Array2::from_shape_fn((frames, columns.len()), |(t, j)| series[t * width + columns[j]])
                });
                TissueDigest { tissue: tissue.tissue, voxels, mean: mean_series((voxels, first), &tissue.sums), series }
            })
            .collect();
        let atlases = self
            .atlases
            .iter()
            .zip(&self.wanted.atlases)
            .map(|(pass, atlas)| {
                let (mut weight, mut first) = (vec![0.0; pass.parcels], vec![0.0; pass.parcels]);
                for &(i, parcel, w) in pass.members.iter().filter(|m| alive[m.0 as usize]) {
                    weight[parcel as usize] += w;
                    first[parcel as usize] += w * self.first[i as usize];
                }
                let means = Array2::from_shape_fn((frames, pass.parcels), |(t, p)| {
                    if weight[p] > 0.0 { (first[p] + pass.sums[t * pass.parcels + p]) / weight[p] } else { f64::NAN }
                });
                let share = |(&w, &all): (&f64, &f64)| if all > 0.0 { w / all } else { 0.0 };
                let coverage = weight.iter().zip(&atlas.weight).map(share).collect();
                AtlasDigest { means, coverage, voxels: atlas.voxels.clone(), centroid_mm: atlas.centroid_mm.clone() }
            })
            .collect();
        Some(Digest {
            frames,
            global_signal,
            dvars_percent,
            median_of_mean_image,
            tsnr_median,
            tissues,
            atlases,
            brain_voxels: self.voxels,
            alive_voxels,
            pictured,
            read_twice: false,
            content,
        })
    }
}

/// Sums in eight lanes, so that the loop vectorises; the order of additions is fixed.
const LANES: usize = 8;

fn sum(values: &[f64]) -> f64 {
    let chunks = values.chunks_exact(LANES);
    let tail: f64 = chunks.remainder().iter().sum();
    let mut lanes = [0.0; LANES];
    for chunk in chunks {
        (0..LANES).for_each(|k| lanes[k] += chunk[k]);
    }
    lanes.iter().sum::<f64>() + tail
}

fn sum_of_squared_differences(a: &[f64], b: &[f64]) -> f64 {
    let (a_chunks, b_chunks) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let tail: f64 = a_chunks.remainder().iter().zip(b_chunks.remainder()).map(|(x, y)| (x - y) * (x - y)).sum();
    let mut lanes = [0.0; LANES];
    for (x, y) in a_chunks.zip(b_chunks) {
        for k in 0..LANES {
            let step = x[k] - y[k];
            lanes[k] += step * step;
        }
    }
    lanes.iter().sum::<f64>() + tail
}

/// The median; the mean of the middle two for an even count; NaN for none.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = values.len() / 2;
    let (_, &mut upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    if values.len() % 2 == 1 {
        return upper;
    }
    let lower = values[..middle].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    (lower + upper) / 2.0
}

/// The median, and the SD that a normal distribution with this median absolute deviation has (1.4826·MAD; Rousseeuw &
/// Croux 1993, J Am Stat Assoc 88:1273); NaN for none.
pub(crate) fn median_and_robust_sd(values: Vec<f64>) -> (f64, f64) {
    const MAD_TO_SD: f64 = 1.4826;
    let middle = median(values.clone());
    (middle, MAD_TO_SD * median(values.into_iter().map(|value| (value - middle).abs()).collect()))
}
