//! One group per stage, at the size of an ordinary run: 64×64×36 voxels, 300 frames, 200 parcels. `cargo bench`.

use divan::{Bencher, black_box};
use keepstill::censor::censor;
use keepstill::clean::{clean as cleaning, components, fill, filter};
use keepstill::connectivity;
use keepstill::linalg::LeastSquares;
use keepstill::motion::{MotionTrace, displacement};
use keepstill::study::settings::{Axis, CensorSettings, CleanSettings, Fill, Length, Measure, RotationOrder, Settling};
use keepstill::units::{Millimetres, Seconds};
use ndarray::{Array1, Array2};

const FRAMES: usize = 300;
const PARCELS: usize = 200;
const TR: Seconds = Seconds(2.0);

fn main() {
    divan::main();
}

/// Numbers that look like noise and are the same every time.
fn noise(rows: usize, columns: usize) -> Array2<f64> {
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    Array2::from_shape_simple_fn((rows, columns), || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    })
}

/// Every tenth frame and the two after it dropped.
fn kept() -> Vec<bool> {
    (0..FRAMES).map(|i| i % 10 > 2).collect()
}

fn clean_settings(fill: Fill) -> CleanSettings {
    CleanSettings {
        motion_terms: 24,
        tissue_means: Vec::new(),
        global_signal: false,
        tissue_components: 0,
        confound_columns: Vec::new(),
        detrend_degree: 1,
        band_hz: Some([0.01, 0.1]),
        fill,
    }
}

mod reading {
    use std::path::PathBuf;
    use std::sync::OnceLock;

    use keepstill::atlas::{Atlas, Grid, nearest_on};
    use keepstill::digest::{self, Wanted};
    use keepstill::nifti;
    use keepstill::study::settings::ParcelsSettings;
    use keepstill::synth::{Grid as SynthGrid, SynthSettings, write_cohort};

    use super::{Bencher, FRAMES, PARCELS};

    /// A folder with one synthetic child, made once.
    fn cohort() -> &'static PathBuf {
        static MADE: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
        &MADE
            .get_or_init(|| {
                let folder = tempfile::tempdir().expect("a temporary folder");
                let out = folder.path().join("cohort");
                let mut settings = SynthSettings::demo(7);
                (settings.children, settings.frames, settings.parcels) = (1, FRAMES, PARCELS);
                settings.grid = SynthGrid::Whole;
                write_cohort(&settings, &out, &|_, _| {}).expect("a synthetic cohort");
                (folder, out)
            })
            .1
    }

    fn digest_of(bold: &std::path::Path) {
        let cohort = cohort();
        let atlas = Atlas::read(&ParcelsSettings {
            name: "invented".to_owned(),
            image: cohort.join("atlas.nii.gz"),
            labels: None,
            least_coverage: 0.5,
        })
        .expect("an atlas");
        let header = nifti::read_header(bold).expect("a header");
        let grid = Grid { shape: header.shape, affine: header.affine };
        let mask = nifti::read_3d(&cohort.join("sub-01/func/sub-01_desc-brain_mask.nii.gz")).expect("a mask");
        let brain: Vec<bool> = nearest_on(&grid, &mask).into_iter().map(|v| v > 0.0).collect();
        let gridded = atlas.on(&grid);
        let wanted = Wanted {
            brain: &brain,
            tissues: Vec::new(),
            keep_tissue_voxels: false,
            atlases: vec![&gridded],
            pictured: &[],
        };
        divan::black_box(digest::read(bold, &wanted, &|_| true).expect("a digest"));
    }

    /// 40 MB of .nii.gz in the page cache to a digest, atlas and mask read too.
    #[divan::bench(sample_count = 10)]
    fn compressed(bencher: Bencher) {
        let bold = cohort().join("sub-01/func/sub-01_task-rest_run-1_bold.nii.gz");
        bencher.bench(|| digest_of(&bold));
    }

    /// The same, unpacked.
    #[divan::bench(sample_count = 10)]
    fn plain(bencher: Bencher) {
        use std::io::Read;
        let packed = cohort().join("sub-01/func/sub-01_task-rest_run-1_bold.nii.gz");
        let bold = cohort().join("plain.nii");
        let file = std::fs::File::open(packed).expect("an image");
        let mut bytes = Vec::new();
        flate2::read::MultiGzDecoder::new(file).read_to_end(&mut bytes).expect("gzip");
        std::fs::write(&bold, bytes).expect("a file");
        bencher.bench(|| digest_of(&bold));
    }
}

mod motion {
    use super::*;

    #[divan::bench]
    fn both_displacements(bencher: Bencher) {
        let trace = MotionTrace { translations_mm: noise(FRAMES, 3), rotations_rad: noise(FRAMES, 3) * 0.01 };
        let order = RotationOrder([Axis::X, Axis::Y, Axis::Z]);
        bencher.bench(|| displacement::framewise(black_box(&trace), Millimetres(50.0), order));
    }

    #[divan::bench]
    fn censoring(bencher: Bencher) {
        let fd = noise(FRAMES, 1).column(0).to_owned();
        let dvars = Array1::from_elem(FRAMES, f64::NAN);
        let settings = CensorSettings {
            fd_mm: 0.2,
            dvars_percent: 0.0,
            before: Length::Frames(1),
            after: Length::Frames(2),
            shortest_stretch: Length::Frames(5),
            settling: Settling::Frames(0),
            watch_log: true,
            watch_log_types: Vec::new(),
        };
        bencher.bench(|| {
            censor(black_box(fd.view()), dvars.view(), &[true; FRAMES], &[false; FRAMES], 0, Seconds(2.0), &settings)
        });
    }
}

mod realign {
    use keepstill::motion::realign::{Pose, Reference, Resampler, Tracker};
    use keepstill::nifti::Affine;

    use super::*;

    const SHAPE: [usize; 3] = [64, 64, 36];

    /// 3.3 × 3.3 × 4 mm, the grid's middle at the world's origin.
    fn affine() -> Affine {
        Affine([[3.3, 0.0, 0.0, -104.0], [0.0, 3.3, 0.0, -104.0], [0.0, 0.0, 4.0, -70.0]])
    }

    /// An ellipsoid of 140 × 170 × 130 mm with waves inside (34 and 27 mm long) and a soft rim, shifted, with noise of
    /// a hundredth of its brightness; and the ellipsoid as a mask.
    fn head(shift_mm: [f64; 3], seed: u64) -> (Vec<f32>, Vec<bool>) {
        let mut state = seed;
        let affine = affine();
        let [nx, ny, nz] = SHAPE;
        let voxel = |i: usize| {
            let at = affine.apply([i % nx, i / nx % ny, i / nx / ny].map(|v| v as f64));
            let x: [f64; 3] = std::array::from_fn(|a| at[a] - shift_mm[a]);
            let out = ((x[0] / 70.0).powi(2) + (x[1] / 85.0).powi(2) + (x[2] / 65.0).powi(2)).sqrt();
            let waves = (x[0] / 5.4 + x[1] / 9.0).sin() + (x[1] / 4.3).cos() + (x[2] / 5.0 - x[0] / 11.0).sin();
            // Shifts of SD 1: the sum of four even numbers from -1 to 1, times their SD.
            let noise: f64 = (0..4)
                .map(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
                })
                .sum::<f64>()
                * 0.866;
            ((1000.0 + 100.0 * waves) / (1.0 + ((out - 1.0) * 25.0).exp()) + 10.0 * noise, out < 1.0)
        };
        let (values, mask): (Vec<f64>, Vec<bool>) = (0..nx * ny * nz).map(voxel).unzip();
        (values.into_iter().map(|v| v as f32).collect(), mask)
    }

    /// Registering a frame that moved by half a millimetre, back and forth; 17 ms are 60 frames a second.
    #[divan::bench]
    fn one_frame(bencher: Bencher) {
        let (first, brain) = head([0.0; 3], 7);
        let frames = [head([0.3, -0.2, 0.1], 11).0, head([-0.1, 0.1, 0.3], 13).0];
        let reference = Reference::new(&first, SHAPE, affine(), &brain).expect("a head");
        let mut tracker = Tracker::new(&reference);
        let mut turn = 0;
        bencher.bench_local(|| {
            turn = 1 - turn;
            tracker.align(black_box(&frames[turn])).expect("a pose")
        });
    }

    #[divan::bench]
    fn a_reference(bencher: Bencher) {
        let (first, brain) = head([0.0; 3], 7);
        bencher.bench(|| Reference::new(black_box(&first), SHAPE, affine(), &brain));
    }

    /// All brain voxels of one frame.
    #[divan::bench]
    fn resampling(bencher: Bencher) {
        let (first, brain) = head([0.0; 3], 7);
        let needed: Vec<u32> = (0..).zip(&brain).filter(|(_, inside)| **inside).map(|(i, _)| i).collect();
        let resampler = Resampler::new(SHAPE, affine(), [0.0; 3], &needed).expect("a grid");
        let pose = Pose { translation_mm: [0.3, -0.2, 0.1], rotation_rad: [0.01, 0.0, -0.02], gain: 1.0 };
        let mut out = vec![0.0; needed.len()];
        bencher.bench_local(|| resampler.sample(black_box(&first), &pose, &mut out));
    }
}

mod clean {
    use super::*;

    #[divan::bench]
    fn whole_with_27_confounds(bencher: Bencher) {
        let (data, confounds, kept) = (noise(FRAMES, PARCELS), noise(FRAMES, 27), kept());
        let settings = clean_settings(Fill::Linear);
        bencher.bench(|| cleaning(black_box(data.view()), confounds.view(), &kept, TR, &settings));
    }

    #[divan::bench]
    fn band_pass(bencher: Bencher) {
        let data = noise(FRAMES, PARCELS);
        bencher
            .with_inputs(|| data.clone())
            .bench_values(|mut data| filter::band_pass(&mut data, [0.01, 0.1], TR).map(|()| data));
    }

    #[divan::bench(args = [Fill::Linear, Fill::Spectral])]
    fn fill_gaps(bencher: Bencher, how: Fill) {
        let (data, kept) = (noise(FRAMES, PARCELS), kept());
        bencher.with_inputs(|| data.clone()).bench_values(|mut data| {
            fill::Filling::new(&kept, how).fill(&mut data);
            data
        });
    }

    #[divan::bench]
    fn least_squares(bencher: Bencher) {
        let (data, design) = (noise(FRAMES, PARCELS), noise(FRAMES, 28));
        bencher.bench(|| LeastSquares::new(black_box(design.view())).and_then(|fit| fit.residuals(data.view())));
    }

    #[divan::bench]
    fn five_components_of_3000_voxels(bencher: Bencher) {
        let (voxels, kept) = (noise(FRAMES, 3000), kept());
        bencher.bench(|| components::tissue_components(black_box(voxels.view()), &kept, 1, 5));
    }
}

#[divan::bench(args = [Measure::Pearson, Measure::Spearman, Measure::Partial, Measure::Covariance])]
fn connectivity_of(bencher: Bencher, measure: Measure) {
    let series = noise(FRAMES, PARCELS);
    bencher.bench(|| connectivity::connectivity(black_box(series.view()), measure));
}
