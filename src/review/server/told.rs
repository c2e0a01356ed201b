//! Messages as users may read them: without paths of the server's disk.

use std::path::Path;

/// A message that names files relative to the results folder, however that folder's path is written.
pub(super) fn told(results: &Path, message: &str) -> String {
    let mut message = message.to_owned();
    let canonical = results.canonicalize().ok();
    // The longer first, because it may begin with the other.
    let mut forms: Vec<String> =
        [Some(results), canonical.as_deref()].into_iter().flatten().map(|form| form.display().to_string()).collect();
    forms.sort_by_key(|form| std::cmp::Reverse(form.len()));
    for form in forms {
        message = without(&message, &form);
    }
    message
}

/// Takes a folder's path off the paths that begin with it. If the path stands alone, words for the folder replace it,
/// unless it is relative: a relative name may be a plain word, and gives nothing away.
fn without(message: &str, folder: &str) -> String {
    if folder.trim_matches('/').is_empty() {
        return message.to_owned();
    }
    let begins = |before: &str| !before.ends_with(|c: char| c.is_alphanumeric() || "/.-_~".contains(c));
    let mut text = String::with_capacity(message.len());
    let mut rest = message;
    while let Some(at) = rest.find(folder) {
        let (before, after) = (&rest[..at], &rest[at + folder.len()..]);
        text += before;
        // What stands before it may have been told already.
        if !begins(if before.is_empty() { &text } else { before }) {
            text += folder;
        } else if let Some(inside) = after.strip_prefix('/') {
            rest = inside.trim_start_matches('/');
            continue;
        } else if folder.starts_with('/') && !after.starts_with(|c: char| c.is_alphanumeric() || "-_~".contains(c)) {
            text += "the results folder";
        } else {
            text += folder;
        }
        rest = after;
    }
    text + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_tell_no_absolute_path_of_the_results() {
        let base = tempfile::tempdir().unwrap();
        let real = base.path().canonicalize().unwrap().join("a-study/results");
        std::fs::create_dir_all(&real).unwrap();
        let link = real.parent().unwrap().parent().unwrap().join("a-link");
        std::os::unix::fs::symlink(&real, &link).unwrap();
        let (real_name, link_name) = (real.display().to_string(), link.display().to_string());
        for (message, expected) in [
            (format!("{link_name}/review/a.tsv: no"), "review/a.tsv: no".to_owned()),
            (format!("{real_name}/review/a.tsv: no, nor {link_name}//b"), "review/a.tsv: no, nor b".to_owned()),
            (format!("{link_name}: cannot write"), "the results folder: cannot write".to_owned()),
            (format!("{link_name}-old/b"), format!("{link_name}-old/b")),
        ] {
            assert_eq!(told(&link, &message), expected);
        }
        let relative = "results/a: the results of sub-01 have changed, ../results/b";
        assert_eq!(told(Path::new("results"), relative), "a: the results of sub-01 have changed, ../results/b");
        assert_eq!(told(Path::new("/"), "/a: no"), "/a: no");
    }
}
