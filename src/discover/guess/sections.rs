//! Sections of the study file that every guess writes.

use super::folder::Contents;
use super::quoting::quoted;
use crate::discover::paths::tidy;

/// What is said where neither was found, so that nothing is missed in silence.
pub(super) const NEITHER_FOUND: &str =
    "no watch logs and no confounds tables were found: if there are any, name them by hand";

/// `[motion]` from its own lines, and the sphere by age where every child has one; empty if the defaults do.
pub(super) fn motion(lines: &str, ages: bool) -> String {
    let sphere = if ages { "sphere_radius = \"by-age\"            # or 50.0, an adult's head, in mm\n" } else { "" };
    if lines.is_empty() && sphere.is_empty() { String::new() } else { format!("[motion]\n{lines}{sphere}\n") }
}

/// `[clean]`: tissue means for those tissues that every scan has a mask for.
pub(super) fn clean(has_white_matter: bool, has_csf: bool, notes: &mut Vec<String>) -> String {
    let tissues: Vec<&str> = [("\"white_matter\"", has_white_matter), ("\"csf\"", has_csf)]
        .into_iter()
        .filter_map(|(name, has)| has.then_some(name))
        .collect();
    if tissues.len() == 2 {
        return String::new();
    }
    notes.push(
        "not every scan has masks of white matter and csf, so means of a tissue without them are not \
        removed"
            .to_owned(),
    );
    format!(
        "[clean]\ntissue_means = [{}]            # masks of the other tissues were not found for every scan\n\n",
        tissues.join(", ")
    )
}

/// The head of a study file; the study is named after the folder.
pub(super) fn head(found: &Contents<'_>) -> String {
    let data = tidy(found.data);
    let name = data.file_name().map_or("study".to_owned(), |name| name.to_string_lossy().into_owned());
    let name = if name.trim().is_empty() { "study".to_owned() } else { name };
    format!(
        "# A first study file, guessed by `keepstill init`. Look at the lines marked CHECK and CHOOSE, then run\n\
         # `keepstill check` on it. `keepstill init --defaults` prints every other key with its default.\n\n\
         [study]\nname    = {}\nresults = \"results\"\n\n",
        quoted(&name)
    )
}
