//! The last word on each child in `review/decisions.tsv`: for children whose results have changed since.
//!
//! The file is only ever appended to, one line a decision, so a child's last line is the latest word. A line that a power
//! cut left torn has another count of cells than the header and was never confirmed to anyone: it is passed over.

use std::collections::HashMap;
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use super::StackError;

/// Decision by `participant_id`, `session_id`, `run_id`; empty where nothing was ever reviewed.
pub(super) fn last_words(results: &Path) -> Result<HashMap<[String; 3], String>, StackError> {
    let path = results.join("review").join("decisions.tsv");
    let text = match fs::read(&path) {
        Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(HashMap::new()),
        Err(error) => return Err(StackError::Unreadable { path, message: error.to_string() }),
    };
    let mut lines = text.lines().map(|line| line.split('\t').collect::<Vec<_>>());
    let header = lines.next().unwrap_or_default();
    let place = |column: &'static str| {
        let missing = || StackError::Unreadable {
            path: path.clone(),
            message: format!("its first line has no column \"{column}\""),
        };
        header.iter().position(|name| *name == column).ok_or_else(missing)
    };
    let ids = [place("participant_id")?, place("session_id")?, place("run_id")?];
    let decision = place("decision")?;
    let whole = lines.filter(|cells| cells.len() == header.len());
    Ok(whole.map(|cells| (ids.map(|at| cells[at].to_owned()), cells[decision].to_owned())).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_whole_line_counts() {
        let folder = tempfile::tempdir().unwrap();
        assert!(last_words(folder.path()).unwrap().is_empty());
        fs::create_dir(folder.path().join("review")).unwrap();
        let path = folder.path().join("review/decisions.tsv");
        let text = "time\tparticipant_id\tsession_id\trun_id\tdecision\n\
                    1\tsub-1\tn/a\tn/a\texclude\n2\tsub-2\tn/a\tn/a\tinclude\n3\tsub-1\tn/a\tn/a\tinclude\n\
                    4\tsub-2\tn/a\tn/a\texclude\n5\tsub-1\tn/a";
        fs::write(&path, text).unwrap();
        let words = last_words(folder.path()).unwrap();
        let of = |child: &str| words[&[child, "n/a", "n/a"].map(str::to_owned)].as_str();
        assert_eq!([of("sub-1"), of("sub-2")], ["include", "exclude"]);
        fs::write(&path, "time\tdecision\n").unwrap();
        assert!(last_words(folder.path()).unwrap_err().to_string().contains("no column \"participant_id\""));
    }
}
