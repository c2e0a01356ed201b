//! Study files that are not there, or no text.

use super::*;

#[test]
fn unreadable_files_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("study.toml");
    let found = Study::read(&path).unwrap_err().to_string();
    assert!(found.starts_with(&format!("cannot read the study file {}: ", path.display())), "{found}");
    std::fs::write(&path, b"[study]\nname = \"\xff\"\n").unwrap();
    let found = Study::read(&path).unwrap_err().to_string();
    assert!(found.ends_with("line 2: bytes that are not UTF-8; save the study file as UTF-8 text"), "{found}");
    std::fs::write(&path, format!("\u{feff}{SCANS}{PARCELS}")).unwrap();
    assert_eq!(Study::read(&path).unwrap().folder(), folder.path());
}
