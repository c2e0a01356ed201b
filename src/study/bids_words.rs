//! The words of the BIDS standard that a study file may use: entity keys and their long names.

/// Entities that a file below `sub-*` can have, each with its key in file names and its long name (BIDS specification
/// 1.11, appendix "Entities"; list from memory).
pub const ENTITIES: [(&str, &str); 34] = [
    ("sub", "subject"),
    ("ses", "session"),
    ("sample", "sample"),
    ("task", "task"),
    ("tracksys", "tracksys"),
    ("acq", "acquisition"),
    ("nuc", "nucleus"),
    ("voi", "volume"),
    ("ce", "ceagent"),
    ("trc", "tracer"),
    ("stain", "stain"),
    ("rec", "reconstruction"),
    ("dir", "direction"),
    ("run", "run"),
    ("mod", "modality"),
    ("echo", "echo"),
    ("flip", "flip"),
    ("inv", "inversion"),
    ("mt", "mtransfer"),
    ("part", "part"),
    ("proc", "processing"),
    ("hemi", "hemisphere"),
    ("space", "space"),
    ("split", "split"),
    ("recording", "recording"),
    ("chunk", "chunk"),
    ("seg", "segmentation"),
    ("res", "resolution"),
    ("den", "density"),
    ("label", "label"),
    ("desc", "description"),
    ("atlas", "atlas"),
    ("scale", "scale"),
    ("cohort", "cohort"),
];

/// Placeholders that a file pattern may hold, without their braces.
pub const PLACEHOLDERS: [&str; 5] = ["participant", "session", "task", "run", "stem"];

/// The key used in file names for an entity named by key or long name; `participant` is taken for `subject`.
#[must_use]
pub fn entity_key(word: &str) -> Option<&'static str> {
    if word == "participant" {
        return Some("sub");
    }
    ENTITIES.into_iter().find(|(key, long)| *key == word || *long == word).map(|(key, _)| key)
}

/// A label by the standard: letters and digits, at least one. (`+` is allowed by some entities of newer versions.)
#[must_use]
pub fn is_label(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_alphanumeric())
}
