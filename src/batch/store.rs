//! The digests of one scan, below `.keepstill/`: used again if nothing that affects them has changed, kept after images
//! are read.

use std::cell::RefCell;
use std::collections::HashSet;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde_json::json;

use super::gate::{Pass, Refused};
use super::shared::Shared;
use super::{cores, plan};
use crate::digest::DigestError;
use crate::discover::Scan;
use crate::event::Event;
use crate::pipeline::prepared::Prepared;
use crate::pipeline::{DigestStore, Reading, ScanError, memory};
use crate::record::RecordError;
use crate::record::digests::{self, KnownInputs, ScanReading, inputs_path};
use crate::record::files::{WriteError, write_whole};
use crate::record::inputs::InputState;
use crate::study::settings::MotionSource;

/// One scan's store.
pub(super) struct Store<'a> {
    shared: &'a Shared<'a>,
    scan: &'a Scan,
    state: PathBuf,
    /// What an earlier run noted of the scan's files.
    known: KnownInputs,
    /// The files as they are now, before anything is read: one that is changed meanwhile must look changed later.
    now: Vec<InputState>,
    /// Memory set aside for the scan, and a core lent to it; given back with the store, when the scan is written.
    pass: RefCell<Option<Pass<'a>>>,
    core: RefCell<Option<cores::Lent<'a>>>,
}

impl<'a> Store<'a> {
    /// Looks at the scan's files.
    pub(super) fn open(shared: &'a Shared<'a>, scan: &'a Scan) -> Self {
        let state = shared.digests.clone();
        let known = KnownInputs::read(&inputs_path(&state, scan));
        let files = [
            ("bold", Some(&scan.bold)),
            ("brain_mask", scan.brain_mask.as_ref()),
            ("white_matter", scan.white_matter.as_ref()),
            ("csf", scan.csf.as_ref()),
        ];
        let now = files.into_iter().filter_map(|(role, path)| InputState::new(role, path?, "").ok()).collect();
        Self { shared, scan, state, known, now, pass: RefCell::default(), core: RefCell::default() }
    }

    /// The content hash of one of the scan's files, as far as it can be had without decoding it.
    fn content(&self, prepared: &Prepared, role: &str, path: &Path) -> Option<String> {
        let hashed = prepared.inputs.get(role).cloned();
        hashed.or_else(|| self.known.content(role, path, self.shared.verify).ok())
    }

    /// The key of the digest of an image with these contents.
    fn key(&self, prepared: &Prepared, bold: &str, voxels_held: bool) -> Option<String> {
        let mut masks = Vec::new();
        if let Some(path) = &prepared.brain_mask {
            masks.push(("brain_mask", self.content(prepared, "brain_mask", path)?));
        }
        for mask in &prepared.tissues {
            masks.push((mask.tissue.key(), self.content(prepared, mask.tissue.key(), &mask.path)?));
        }
        let study = self.shared.study;
        let atlases: Vec<&str> = self.shared.atlases.list.iter().map(|a| a.content.as_str()).collect();
        Some(plan::hash(&json!({
            "format": digests::FORMAT,
            "version": env!("CARGO_PKG_VERSION"),
            "bold": bold,
            "masks": masks,
            "atlases": atlases,
            "voxels_held": voxels_held,
            "motion": (study.motion.from == MotionSource::Images).then_some(study.motion.realign),
        })))
    }

    /// Sets memory aside for what comes; what was set aside before is given back first, so that no two scans can wait
    /// for each other.
    fn set_aside(&self, bytes: u64) -> Result<(), Refused> {
        self.pass.replace(None);
        self.pass.replace(Some(self.shared.gate.enter(bytes, self.shared.interrupt)?));
        Ok(())
    }

    /// What the scan will take, bytes.
    fn needs(&self, prepared: &Prepared, from_digest: bool) -> u64 {
        let shared = self.shared;
        memory::scan_bytes(prepared, shared.atlases, shared.study, from_digest, shared.jobs > 1)
    }

    /// Whether these settings need the tissues' voxels.
    fn needs_voxels(&self) -> bool {
        self.shared.study.clean.tissue_components > 0
    }

    /// Notes the files' states and the key; takes away the digest that they had before.
    fn note(&self, prepared: &Prepared, bold: &str, key: String) -> Result<(), RecordError> {
        let mut inputs = self.now.clone();
        for state in &mut inputs {
            state.content = match state.role.as_str() {
                "bold" => bold.to_owned(),
                role => {
                    let path = prepared.tissues.iter().find(|t| t.tissue.key() == role).map(|t| t.path.as_path());
                    let path = path.or(prepared.brain_mask.as_deref());
                    path.and_then(|path| self.content(prepared, role, path)).unwrap_or_default()
                }
            };
        }
        // A tissue mask that could not be read is in no digest.
        inputs.retain(|state| {
            matches!(state.role.as_str(), "bold" | "brain_mask")
                || prepared.tissues.iter().any(|t| t.tissue.key() == state.role)
        });
        let noted = KnownInputs { inputs, key };
        if noted == self.known {
            return Ok(());
        }
        if !self.known.key.is_empty() && self.known.key != noted.key {
            let _ = std::fs::remove_file(digests::path(&self.state, &self.known.key));
        }
        write_whole(&inputs_path(&self.state, self.scan), json!(noted).to_string().as_bytes())?;
        Ok(())
    }
}

/// Removes digests that no scan's notes name, such as those of scans that are renamed or gone.
pub(super) fn forget_unnamed(state: &Path) -> Result<(), WriteError> {
    let list = |folder: &str| -> Vec<PathBuf> {
        let entries = std::fs::read_dir(state.join(folder));
        entries.into_iter().flatten().filter_map(|entry| Some(entry.ok()?.path())).collect()
    };
    let named: HashSet<PathBuf> =
        list("inputs").iter().map(|notes| digests::path(state, &KnownInputs::read(notes).key)).collect();
    for path in list("digests").into_iter().filter(|path| !named.contains(path)) {
        match std::fs::remove_file(&path) {
            Err(source) if source.kind() != ErrorKind::NotFound => return Err(WriteError { path, source }),
            _ => {}
        }
    }
    Ok(())
}

impl DigestStore for Store<'_> {
    fn find(&self, prepared: &Prepared) -> Option<ScanReading> {
        if self.known.key.is_empty() || self.shared.redo {
            return None;
        }
        let bold = self.known.content("bold", &self.scan.bold, self.shared.verify).ok()?;
        // A digest that holds the tissues' voxels also serves where they are not needed.
        let forms: &[bool] = if self.needs_voxels() { &[true] } else { &[false, true] };
        forms.iter().find_map(|&held| {
            let key = self.key(prepared, &bold, held)?;
            let path = digests::path(&self.state, &key);
            let size = std::fs::metadata(&path).ok()?.len();
            // Voxels that these settings do not need are read with the rest.
            let unneeded = if held && !self.needs_voxels() { size } else { 0 };
            // Without room for the digest there is no room for the image, and the error comes when the image is opened.
            self.set_aside(self.needs(prepared, true) + unneeded).ok()?;
            let Ok(digest) = digests::read(&path, &key) else {
                let message = "what was kept of the last reading is damaged, so the image is read again".to_owned();
                (self.shared.tell)(&Event::Warning { about: self.scan.id.to_string(), message });
                return None;
            };
            // What cannot be noted only costs a look at the file next time.
            let _ = self.note(prepared, &bold, key);
            Some(digest)
        })
    }

    fn opening(&self, prepared: &Prepared) -> Result<Reading, ScanError> {
        let needs = self.needs(prepared, false);
        self.set_aside(needs).map_err(|refused| match refused {
            Refused::Interrupted => ScanError::Digest(DigestError::Stopped),
            Refused::TooBig => ScanError::TooBig {
                path: self.scan.bold.clone(),
                shape: prepared.header.shape_text(),
                needs_mib: needs.div_ceil(1 << 20),
                program_mib: self.shared.program_bytes.div_ceil(1 << 20),
                allowed_mib: self.shared.allowed_bytes >> 20,
                more: if self.needs_voxels() { ", or set clean.tissue_components = 0" } else { "" },
            },
        })?;
        let lent = self.shared.cores.lend();
        (self.shared.tell)(&Event::ImageOpened { scan: self.scan.id.to_string(), ahead: lent.is_some() });
        let reading = if lent.is_some() { Reading::Ahead } else { Reading::InTurn };
        self.core.replace(lent);
        Ok(reading)
    }

    fn keep(&self, prepared: &Prepared, reading: &ScanReading) -> Result<(), RecordError> {
        self.core.replace(None);
        let content = &reading.digest.content;
        let Some(key) = self.key(prepared, content, self.needs_voxels()) else { return Ok(()) };
        digests::write(&digests::path(&self.state, &key), &key, reading)?;
        self.note(prepared, content, key)
    }
}
