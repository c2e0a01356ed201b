//! `run-log.jsonl`: one JSON object per event, appended; times are seconds since 1970 (UTC).

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;
use std::sync::Mutex;
use std::time::{SystemTime, UNIX_EPOCH};

use serde_json::{Value, json};

use crate::event::Event;
use crate::record::files::WriteError;

pub(super) struct RunLog {
    file: Mutex<File>,
}

impl RunLog {
    pub(super) fn open(path: &Path) -> Result<Self, WriteError> {
        let file = File::options()
            .create(true)
            .append(true)
            .open(path)
            .map_err(|source| WriteError { path: path.to_owned(), source })?;
        // A run that was killed in the middle of a line must not spoil the next line.
        if fs::read(path).is_ok_and(|bytes| bytes.last().is_some_and(|&b| b != b'\n')) {
            let _ = (&file).write_all(b"\n");
        }
        Ok(Self { file: Mutex::new(file) })
    }

    /// Appends an event; frames are passed over. A log that cannot be written does not stop a run.
    pub(super) fn note(&self, event: &Event) {
        if matches!(event, Event::Frames { .. }) {
            return;
        }
        let unix_s = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_secs_f64();
        let mut line = json!({ "unix_s": (unix_s * 1000.0).round() / 1000.0 });
        if let (Some(fields), Ok(Value::Object(event))) = (line.as_object_mut(), serde_json::to_value(event)) {
            fields.extend(event);
        }
        let mut file = self.file.lock().unwrap_or_else(|e| e.into_inner());
        let _ = file.write_all(format!("{line}\n").as_bytes());
    }
}
