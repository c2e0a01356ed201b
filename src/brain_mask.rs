//! A brain mask from a scan's own brightness, for scans that come without one.
//!
//! It is made from the mean of the first frames. Otsu's threshold splits the histogram so that the variance between the
//! two classes is largest (Otsu 1979, IEEE Trans Systems, Man, and Cybernetics 9:62); there are 256 bins from the least
//! to the greatest value. The largest component of brighter voxels that are joined by their faces is kept. Its holes
//! are filled: the voxels that no path through faces joins to the volume's border. The result is a mask of the bright
//! head and no more. It knows no anatomy, and whoever has a mask made for the purpose should give that. Voxels that are
//! not finite are outside.

/// Bins of the histogram: as many as 8-bit grey levels, for which the method was described.
const BINS: usize = 256;

/// What can keep a mask from being found.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BrainMaskError {
    #[error(
        "the mean of the first frames has {values} values for a grid of {voxels} voxels; give one value per voxel of \
        the scan's grid"
    )]
    Shape { values: usize, voxels: usize },
    #[error(
        "no voxel of the first frames' mean is finite, so no brain mask can be made from it; give the scan a \
        brain_mask or leave it out"
    )]
    NothingFinite,
    #[error(
        "every voxel of the first frames' mean is {value}, so brightness tells no head from air; give the scan a \
        brain_mask or leave it out"
    )]
    Constant { value: f64 },
    #[error(
        "the bright voxels (above {threshold:.6}) enclose the whole volume, so they are no mask of a head; give the \
        scan a brain_mask"
    )]
    Everything { threshold: f64 },
}

/// A mask and how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct BrainMask {
    /// One flag per voxel, in storage order.
    pub inside: Vec<bool>,
    /// Voxels brighter than this were taken.
    pub threshold: f64,
    /// Voxels inside.
    pub voxels: usize,
    /// Of those, voxels that were no brighter and lay in holes.
    pub filled: usize,
    /// Bright voxels that were left out, being joined to no face of the largest component.
    pub left_out: usize,
}

impl BrainMask {
    /// For the report, in words.
    #[must_use]
    pub fn sentence(&self) -> String {
        let share = 100.0 * self.voxels as f64 / self.inside.len() as f64;
        format!(
            "No brain mask was given: it was made from the mean of the first frames (Otsu's threshold, the largest \
            bright part, holes filled) and holds {} voxels, {share:.0} % of the volume.",
            self.voxels
        )
    }
}

/// Makes the mask of an image of `shape` voxels, stored with the first axis fastest.
///
/// # Errors
/// [`BrainMaskError`].
pub fn from_mean(mean: &[f64], shape: [usize; 3]) -> Result<BrainMask, BrainMaskError> {
    let voxels = shape.iter().product();
    if mean.len() != voxels {
        return Err(BrainMaskError::Shape { values: mean.len(), voxels });
    }
    let threshold = otsu(mean)?;
    let bright: Vec<bool> = mean.iter().map(|&v| v.is_finite() && v > threshold).collect();
    let grid = Faces { shape };
    let mut inside = grid.largest_component(&bright);
    let taken = inside.iter().filter(|i| **i).count();
    let left_out = bright.iter().filter(|b| **b).count() - taken;
    let mut filled = 0;
    let open = grid.joined_to_border(&inside);
    for (voxel, open) in inside.iter_mut().zip(open) {
        if !*voxel && !open {
            *voxel = true;
            filled += 1;
        }
    }
    // What is not finite stays outside, even in a hole.
    for (voxel, value) in inside.iter_mut().zip(mean) {
        if *voxel && !value.is_finite() {
            *voxel = false;
            filled -= 1;
        }
    }
    if taken + filled == voxels {
        return Err(BrainMaskError::Everything { threshold });
    }
    Ok(BrainMask { inside, threshold, voxels: taken + filled, filled, left_out })
}

/// Otsu's threshold of the finite values: the centre of the last bin of the darker class.
///
/// # Errors
/// [`BrainMaskError::NothingFinite`], [`BrainMaskError::Constant`].
pub fn otsu(values: &[f64]) -> Result<f64, BrainMaskError> {
    let finite = || values.iter().copied().filter(|v| v.is_finite());
    let (least, greatest) = finite().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, g), v| (l.min(v), g.max(v)));
    if least > greatest {
        return Err(BrainMaskError::NothingFinite);
    }
    // Halves first: the range of two finite numbers may not be finite.
    let width = (greatest / 2.0 - least / 2.0) / (BINS as f64 / 2.0);
    if width <= 0.0 {
        return Err(BrainMaskError::Constant { value: least });
    }
    let mut counts = [0u64; BINS];
    for value in finite() {
        // The greatest value belongs to the last bin.
        counts[(((value - least) / width) as usize).min(BINS - 1)] += 1;
    }
    let centre = |bin: usize| least + (bin as f64 + 0.5) * width;
    Ok(centre(split(&counts)))
}

/// The last bin of the darker class: of all splits that of the largest variance between classes, n₁·n₂·(m₁ − m₂)², the
/// first of several alike. Bins are counted from 0 in it, which changes no comparison.
fn split(counts: &[u64; BINS]) -> usize {
    let all: f64 = counts.iter().map(|&n| n as f64).sum();
    let sum: f64 = counts.iter().enumerate().map(|(bin, &n)| bin as f64 * n as f64).sum();
    let (mut darker, mut darker_sum) = (0.0, 0.0);
    let (mut best, mut most) = (0, 0.0);
    for (bin, &n) in counts.iter().enumerate().take(BINS - 1) {
        darker += n as f64;
        darker_sum += bin as f64 * n as f64;
        let lighter = all - darker;
        let apart = darker_sum / darker - (sum - darker_sum) / lighter;
        let between = darker * lighter * apart * apart;
        if between > most {
            (best, most) = (bin, between);
        }
    }
    best
}

/// A grid of voxels joined by their faces.
struct Faces {
    shape: [usize; 3],
}

impl Faces {
    fn voxels(&self) -> usize {
        self.shape.iter().product()
    }

    /// Calls `to` with each of up to six neighbours.
    fn each_neighbour(&self, voxel: usize, mut to: impl FnMut(usize)) {
        let mut stride = 1;
        for length in self.shape {
            let place = voxel / stride % length;
            if place > 0 {
                to(voxel - stride);
            }
            if place + 1 < length {
                to(voxel + stride);
            }
            stride *= length;
        }
    }

    fn on_border(&self, voxel: usize) -> bool {
        let mut neighbours = 0;
        self.each_neighbour(voxel, |_| neighbours += 1);
        neighbours < 6
    }

    /// The largest component of the marked voxels; of two alike the one met first in storage order.
    fn largest_component(&self, marked: &[bool]) -> Vec<bool> {
        let mut seen = vec![false; self.voxels()];
        let (mut queue, mut largest) = (Vec::new(), Vec::new());
        for start in 0..self.voxels() {
            if !marked[start] || seen[start] {
                continue;
            }
            queue.clear();
            self.spread(start, &mut queue, &mut seen, |voxel| marked[voxel]);
            if queue.len() > largest.len() {
                std::mem::swap(&mut queue, &mut largest);
            }
        }
        let mut component = vec![false; self.voxels()];
        largest.into_iter().for_each(|voxel| component[voxel] = true);
        component
    }

    /// Which unmarked voxels a path through unmarked voxels joins to the volume's border.
    fn joined_to_border(&self, marked: &[bool]) -> Vec<bool> {
        let mut seen = vec![false; self.voxels()];
        let mut queue = Vec::new();
        for start in (0..self.voxels()).filter(|&voxel| !marked[voxel] && self.on_border(voxel)) {
            if !seen[start] {
                queue.clear();
                self.spread(start, &mut queue, &mut seen, |voxel| !marked[voxel]);
            }
        }
        seen
    }

    /// Adds to `queue` all voxels that `open` ones join to `start`, and marks them as seen.
    fn spread(&self, start: usize, queue: &mut Vec<usize>, seen: &mut [bool], open: impl Fn(usize) -> bool) {
        seen[start] = true;
        queue.push(start);
        let mut next = 0;
        while next < queue.len() {
            let voxel = queue[next];
            next += 1;
            self.each_neighbour(voxel, |to| {
                if open(to) && !seen[to] {
                    seen[to] = true;
                    queue.push(to);
                }
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_numbers::Numbers;

    const SHAPE: [usize; 3] = [20, 18, 16];

    /// A value for each voxel by its indices.
    fn image(value: impl Fn([f64; 3]) -> f64) -> Vec<f64> {
        let [nx, ny, nz] = SHAPE;
        (0..nx * ny * nz).map(|v| value([(v % nx) as f64, (v / nx % ny) as f64, (v / (nx * ny)) as f64])).collect()
    }

    fn ball(p: [f64; 3], centre: [f64; 3], radius: f64) -> bool {
        (0..3).map(|a| (p[a] - centre[a]).powi(2)).sum::<f64>() <= radius * radius
    }

    #[test]
    fn a_bright_ball_with_a_hole_and_a_crumb() {
        let noise = |p: [f64; 3]| (p[0] * 7.0 + p[1] * 3.0 + p[2]).sin() * 20.0;
        let mean = image(|p| {
            let head = ball(p, [9.0, 8.0, 8.0], 6.0) && !ball(p, [9.0, 8.0, 8.0], 2.0);
            let crumb = ball(p, [18.0, 16.0, 14.0], 1.0);
            noise(p) + if head || crumb { 1000.0 } else { 50.0 }
        });
        let mask = from_mean(&mean, SHAPE).unwrap();
        let expected: Vec<bool> =
            image(|p| f64::from(u8::from(ball(p, [9.0, 8.0, 8.0], 6.0)))).iter().map(|v| *v > 0.0).collect();
        assert_eq!(mask.inside, expected);
        assert_eq!(mask.voxels, expected.iter().filter(|e| **e).count());
        assert_eq!((mask.filled, mask.left_out), (33, 7), "balls of 33 and 7 voxels");
        assert!(mask.threshold > 70.0 && mask.threshold < 980.0);
        assert!(mask.sentence().contains("voxels"));
    }

    #[test]
    fn a_corner_joins_nothing_and_an_open_dent_is_no_hole() {
        let mean = image(|p| {
            let block = p.iter().all(|v| (4.0..=9.0).contains(v));
            // Touches the block at an edge only; a shaft into the block from outside; a hole that only a corner opens.
            let beside = p[0] == 10.0 && p[1] == 10.0 && p[2] == 6.0;
            let shaft = p[0] == 6.0 && p[1] == 6.0 && p[2] >= 6.0;
            let hole = p == [8.0, 8.0, 8.0];
            f64::from(u8::from((block && !shaft && !hole) || beside))
        });
        let mask = from_mean(&mean, SHAPE).unwrap();
        assert_eq!((mask.voxels, mask.filled, mask.left_out), (216 - 4, 1, 1));
    }

    #[test]
    fn voxels_that_are_not_finite_are_outside() {
        let mut mean = image(|p| if ball(p, [9.0, 8.0, 8.0], 5.0) { 900.0 } else { 10.0 });
        let clean = from_mean(&mean, SHAPE).unwrap();
        let middle = 9 + 20 * (8 + 18 * 8);
        mean[middle] = f64::NAN;
        mean[0] = f64::INFINITY;
        let mask = from_mean(&mean, SHAPE).unwrap();
        assert!(clean.inside[middle] && !mask.inside[middle] && !mask.inside[0]);
        assert_eq!((mask.voxels, mask.filled), (clean.voxels - 1, 0));
    }

    #[test]
    fn images_without_a_head_are_refused_in_words() {
        let cells = SHAPE.iter().product::<usize>();
        let said = |mean: &[f64]| from_mean(mean, SHAPE).unwrap_err().to_string();
        assert!(said(&vec![f64::NAN; cells]).contains("no voxel"));
        assert!(said(&vec![7.5; cells]).contains("is 7.5"));
        assert!(said(&[1.0; 5]).contains("5 values for a grid of 5760 voxels"));
        // A bright shell along the whole border: its inside is a hole.
        let shell = image(|p| f64::from(u8::from((0..3).any(|a| p[a] == 0.0 || p[a] == SHAPE[a] as f64 - 1.0))));
        assert!(said(&shell).contains("enclose the whole volume"));
        // Values near the ends of what floating point holds, and a volume of no voxels.
        let wide = image(|p| if p[0] > 9.0 { f64::MAX } else { f64::MIN });
        assert!(from_mean(&wide, SHAPE).is_ok());
        assert!(matches!(from_mean(&[], [0, 4, 4]), Err(BrainMaskError::NothingFinite)));
    }

    #[test]
    fn a_threshold_by_hand() {
        // 0 … 255, one bin per value: 60 voxels at 10, 40 at 200, and the ends of the range.
        let mut values = vec![10.0; 60];
        values.extend(vec![200.0; 40]);
        values.extend([0.0, 255.0]);
        let threshold = otsu(&values).unwrap();
        // Any split between 10 and 200 is as good; the first is taken, and its bin's centre is half a bin on.
        let width: f64 = 255.0 / 256.0;
        assert!((threshold - ((10.0 / width).floor() + 0.5) * width).abs() < 1e-12, "{threshold}");
    }

    /// Components against a slow search: voxels take the least number among themselves and their neighbours until none
    /// changes.
    #[test]
    fn components_are_those_of_a_slow_search() {
        let shape = [5, 4, 3];
        let grid = Faces { shape };
        let mut drawn = Numbers::new(1);
        for _ in 0..300 {
            let marked: Vec<bool> = (0..60).map(|_| drawn.even() >= 0.0).collect();
            let mut number: Vec<usize> = (0..60).collect();
            loop {
                let mut changed = false;
                for v in (0..60).filter(|&v| marked[v]) {
                    for w in (0..60).filter(|&w| marked[w]) {
                        let at = |v: usize| [v % 5, v / 5 % 4, v / 20];
                        let apart: usize = (0..3).map(|a| at(v)[a].abs_diff(at(w)[a])).sum();
                        if apart == 1 && number[w] < number[v] {
                            number[v] = number[w];
                            changed = true;
                        }
                    }
                }
                if !changed {
                    break;
                }
            }
            let size = |n: usize| (0..60).filter(|&v| marked[v] && number[v] == n).count();
            let best = (0..60).rev().max_by_key(|&n| size(n)).unwrap();
            let expected: Vec<bool> = (0..60).map(|v| marked[v] && number[v] == best).collect();
            assert_eq!(grid.largest_component(&marked), expected);
        }
    }
}
