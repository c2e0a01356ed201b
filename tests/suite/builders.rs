//! Tiny studies on disk: a few invented children, images of 6×5×4 voxels, everything that a run reads.
//!
//! [`Tiny`] says how large; [`Folder`] is what it wrote, and each file may then be overwritten, edited or patched by
//! the byte. Nothing is random: every number comes from a fixed stream, so that a study is the same in every test run.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, SystemTime};

use flate2::Compression;
use flate2::write::GzEncoder;
use keepstill::nifti::{Affine, ImageWriter, RunShape, write_image};
use ndarray::{Array, Array3, IxDyn};

/// Voxels along x, y, z.
pub const SHAPE: [usize; 3] = [6, 5, 4];
/// Repetition time, s.
pub const TR_S: f64 = 2.0;

/// How large a study is.
#[derive(Debug, Clone)]
pub struct Tiny {
    pub children: usize,
    /// Sessions per child; 0: the study has none.
    pub sessions: usize,
    /// Runs per session; 1: runs have no label.
    pub runs: usize,
    pub frames: usize,
    /// Further sections of the study file.
    pub settings: String,
}

impl Default for Tiny {
    fn default() -> Self {
        Self { children: 3, sessions: 0, runs: 1, frames: 40, settings: String::new() }
    }
}

/// The study file that [`Tiny`] writes; `SETTINGS` stands where further sections go.
const STUDY: &str = r#"[study]
name = "Tern Bay naps"

[scans]
table = "runs.tsv"

[children]
table = "participants.tsv"
age_column = "age_months"
sex_column = "sex"

[clean]
motion_terms = 6
band_hz = [0.01, 0.2]

[[parcels]]
name = "tern5"
image = "atlas.nii"
labels = "atlas.tsv"

[notice]
# The invented children all move alike.
same_r = 1

[enough]
minutes = 0.5
"#;

impl Tiny {
    /// Writes the study into a new folder.
    pub fn build(&self) -> Folder {
        let folder = Folder { dir: tempfile::tempdir().unwrap() };
        let mut table = "participant_id\tsession_id\trun_id\tbold\tmotion\tbrain_mask\twhite_matter\tcsf\n".to_owned();
        let mut participants = "participant_id\tage_months\tsex\tnap\n".to_owned();
        let mut seed = 0;
        for child in 1..=self.children {
            participants += &format!("sub-{child:02}\t{}\t{}\tmorning\n", 6 * child, ["f", "m"][child % 2]);
            for session in 0..self.sessions.max(1) {
                for run in 1..=self.runs {
                    seed += 1;
                    let mut stem = format!("{child:02}");
                    let session = if self.sessions == 0 { "n/a".to_owned() } else { (session + 1).to_string() };
                    let label = if self.runs == 1 { "n/a".to_owned() } else { run.to_string() };
                    for part in [&session, &label].into_iter().filter(|part| *part != "n/a") {
                        stem += &format!("_{part}");
                    }
                    folder.write_run(&format!("bold_{stem}.nii"), self.frames, seed);
                    folder.write(&format!("motion_{stem}.tsv"), &motion_table(self.frames, seed));
                    table += &format!(
                        "{child:02}\t{session}\t{label}\tbold_{stem}.nii\tmotion_{stem}.tsv\tbrain.nii\twhite.nii\t\
                        csf.nii\n"
                    );
                }
            }
        }
        folder.write("runs.tsv", &table);
        folder.write("participants.tsv", &participants);
        folder.write_volume("brain.nii", |x, _, _| u8::from(x < 5));
        folder.write_volume("white.nii", |x, y, z| u8::from(x > 0 && y == 0 && z == 0));
        folder.write_volume("csf.nii", |x, y, z| u8::from(x > 0 && y == 4 && z == 3));
        // Slabs along x; the fifth lies outside the brain mask.
        folder.write_volume("atlas.nii", |x, _, _| x as u8);
        folder
            .write("atlas.tsv", "index\tname\tnetwork\n1\tcove\tA\n2\tdune\tA\n3\treef\tB\n4\tspit\tB\n5\tshoal\tB\n");
        folder.write("study.toml", &format!("{STUDY}{}", self.settings));
        folder
    }
}

/// A stream of numbers from -1 to 1 (splitmix64; Steele et al. 2014, OOPSLA).
pub struct Stream(u64);

impl Stream {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15))
    }

    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// A motion table with a slow drift and one startle, of 0.5 mm, from frame 12 to 13.
pub fn motion_table(frames: usize, seed: u64) -> String {
    let mut stream = Stream::new(1000 + seed);
    let mut text =
        "translation_x_mm\ttranslation_y_mm\ttranslation_z_mm\trotation_x_rad\trotation_y_rad\trotation_z_rad\n"
            .to_owned();
    for frame in 0..frames {
        let startle = if frame > 12 { 0.5 } else { 0.0 };
        let values: Vec<String> = (0..6)
            .map(|k| {
                let scale = if k < 3 { 0.01 } else { 0.0001 };
                let shift = if k == 2 { startle } else { 0.0 };
                format!("{:.6}", shift + scale * (frame as f64 / 40.0 + stream.next()))
            })
            .collect();
        text += &(values.join("\t") + "\n");
    }
    text
}

/// A study on disk; gone when dropped.
pub struct Folder {
    dir: tempfile::TempDir,
}

/// What a command said.
#[derive(Debug)]
pub struct Ran {
    pub code: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code(),
            stdout: String::from_utf8(output.stdout).unwrap(),
            stderr: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

impl Ran {
    /// The same, if the command ended with this code.
    #[track_caller]
    pub fn expect(self, code: i32) -> Self {
        assert_eq!(self.code, Some(code), "stdout:\n{}\nstderr:\n{}", self.stdout, self.stderr);
        self
    }
}

/// Voxel to world: 3 mm voxels, x to the left.
pub fn affine() -> Affine {
    Affine([[-3.0, 0.0, 0.0, 6.0], [0.0, 3.0, 0.0, -6.0], [0.0, 0.0, 3.0, -4.5]])
}

impl Folder {
    pub fn path(&self) -> &Path {
        self.dir.path()
    }

    pub fn join(&self, name: &str) -> PathBuf {
        self.path().join(name)
    }

    /// A command with its folder here.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_keepstill"));
        command.args(arguments).current_dir(self.path()).stdin(Stdio::null());
        command
    }

    pub fn keepstill(&self, arguments: &[&str]) -> Ran {
        self.command(arguments).output().unwrap().into()
    }

    /// `keepstill run` of the study, with its whole path, as a person far away would give it.
    pub fn run(&self, arguments: &[&str]) -> Ran {
        let study = self.join("study.toml").display().to_string();
        self.keepstill(&[&["run", &study], arguments].concat())
    }

    pub fn write(&self, name: &str, text: &str) {
        self.write_bytes(name, text.as_bytes());
    }

    pub fn write_bytes(&self, name: &str, bytes: &[u8]) {
        let path = self.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    pub fn read(&self, name: &str) -> String {
        String::from_utf8(self.bytes(name)).unwrap()
    }

    pub fn bytes(&self, name: &str) -> Vec<u8> {
        fs::read(self.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
    }

    /// Replaces text that must be there.
    #[track_caller]
    pub fn edit(&self, name: &str, from: &str, to: &str) {
        let text = self.read(name);
        assert!(text.contains(from), "{name} does not hold {from}");
        self.write(name, &text.replacen(from, to, 1));
    }

    /// Overwrites bytes at a place.
    pub fn patch(&self, name: &str, at: usize, with: &[u8]) {
        let mut bytes = self.bytes(name);
        bytes[at..at + with.len()].copy_from_slice(with);
        self.write_bytes(name, &bytes);
    }

    /// Cuts a file.
    pub fn cut(&self, name: &str, length: usize) {
        let bytes = self.bytes(name);
        self.write_bytes(name, &bytes[..length]);
    }

    pub fn remove(&self, name: &str) {
        fs::remove_file(self.join(name)).unwrap();
    }

    /// Gives a file another modification time.
    pub fn touch(&self, name: &str) {
        let file = File::options().write(true).open(self.join(name)).unwrap();
        file.set_modified(SystemTime::now() + Duration::from_secs(7)).unwrap();
    }

    /// The same bytes, gzipped, under `name` + `.gz`; the plain file goes.
    pub fn gzip(&self, name: &str) {
        let bytes = gzipped(&self.bytes(name));
        self.remove(name);
        self.write_bytes(&format!("{name}.gz"), &bytes);
    }

    /// A run of slow parcel signals, a shared one, and noise.
    pub fn write_run(&self, name: &str, frames: usize, seed: u64) {
        let [nx, ny, nz] = SHAPE;
        let run = RunShape { shape: SHAPE, frames, slope: 1.0, inter: 0.0, affine: affine(), tr_s: Some(TR_S) };
        let mut writer = ImageWriter::create(&self.join(name), &run, 1).unwrap();
        let mut stream = Stream::new(seed);
        let phases: Vec<f64> = (0..=nx).map(|_| stream.next() * 3.0).collect();
        for frame in 0..frames {
            let time = frame as f64 * TR_S;
            let mut volume = Vec::with_capacity(nx * ny * nz);
            for voxel in 0..nx * ny * nz {
                let x = voxel % nx;
                let own = (0.3 * time * (1.0 + 0.1 * x as f64) + phases[x]).sin();
                let shared = (0.21 * time + phases[nx]).sin();
                let value = 1000.0 + 100.0 * x as f64 + 12.0 * own + 9.0 * shared + 6.0 * stream.next();
                volume.push(value.round() as i16);
            }
            writer.write_volume(&volume).unwrap();
        }
        writer.finish().unwrap();
    }

    /// A 3-D image of small whole numbers.
    pub fn write_volume(&self, name: &str, value: impl Fn(usize, usize, usize) -> u8) {
        let [nx, ny, nz] = SHAPE;
        let data = Array3::from_shape_fn((nx, ny, nz), |(x, y, z)| value(x, y, z)).into_dyn();
        write_image(&self.join(name), &data.view(), &affine(), None, 1).unwrap();
    }

    /// A 3-D or 4-D image of fractions.
    pub fn write_floats(&self, name: &str, shape: &[usize], value: impl Fn(&IxDyn) -> f32) {
        let data = Array::from_shape_fn(IxDyn(shape), |index| value(&index));
        write_image(&self.join(name), &data.view(), &affine(), None, 1).unwrap();
    }

    /// Every file below a folder with its bytes, by name relative to it, in order.
    pub fn files(&self, below: &str) -> Vec<(String, Vec<u8>)> {
        let root = self.join(below);
        let mut files = Vec::new();
        let mut folders = vec![root.clone()];
        while let Some(folder) = folders.pop() {
            // A folder that is not there holds nothing.
            for entry in fs::read_dir(folder).into_iter().flatten() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    let name = path.strip_prefix(&root).unwrap().display().to_string();
                    files.push((name, fs::read(&path).unwrap()));
                }
            }
        }
        files.sort();
        files
    }

    /// The results that must not depend on how often and how they were made: all but log and state.
    pub fn results(&self) -> Vec<(String, Vec<u8>)> {
        let mut files = self.files("results");
        files.retain(|(name, _)| name != "run-log.jsonl" && !name.starts_with(".keepstill/"));
        files
    }
}

/// Gzipped bytes.
pub fn gzipped(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::new(1));
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// A table as rows of cells, with its header.
pub fn cells(text: &str) -> Vec<Vec<String>> {
    text.lines().map(|line| line.split('\t').map(str::to_owned).collect()).collect()
}
