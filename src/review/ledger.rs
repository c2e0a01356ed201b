//! Tables that are only ever added to: a line that was confirmed is on disk, whatever happens next.
//!
//! [`append`] writes a line in one go, and returns only when the line is synced, and the folder too if the file is new.
//! Only one process writes at a time, because the file is locked meanwhile. If a crash leaves part of a line, without a
//! line end, that part stays as it is: the next line begins on a line of its own, and reading reports the part and
//! passes over it. If the last cell can be checked, as a digest can, a reader can tell a line that lacks only its line
//! end from a torn one.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::outputs::cell;
use crate::record::files::sync_folder;

/// Why a table could not be added to or read.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    #[error("{}: cannot add a line: {source}; nothing counts as saved; check free space and permissions, then try \
        again", path.display())]
    Append { path: PathBuf, source: io::Error },
    #[error(
        "{}: the line that was added may not outlive a crash ({source}), and cannot be taken back ({again}); look at \
        the last line of the file, and check free space and permissions",
        path.display()
    )]
    Unsure { path: PathBuf, source: io::Error, again: io::Error },
    #[error("{}: cannot read: {source}; check its permissions", path.display())]
    Read { path: PathBuf, source: io::Error },
    #[error("{}: holds {bytes} bytes, and more than {limit} are not read; move it away and begin a new \
        one", path.display())]
    TooLarge { path: PathBuf, bytes: u64, limit: u64 },
}

/// Files of this kind are far smaller: at 100 bytes per decision this is room for 1.3 million (own limit).
const LARGEST: u64 = 128 << 20;

/// A line of a table, with its number from 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LedgerLine {
    pub number: usize,
    /// What it holds, or in words why that is not known.
    pub content: Result<Vec<String>, String>,
}

/// Adds one line of cells, after the header if the file is new, and makes sure that it is on disk.
///
/// # Errors
/// [`LedgerError::Append`], and the file is as it was (part of the line may stay where even that fails);
/// [`LedgerError::Unsure`].
pub fn append(path: &Path, header: &[&str], cells: &[String]) -> Result<(), LedgerError> {
    let line = cells.iter().map(|text| cell(text)).collect::<Vec<_>>().join("\t");
    add(path, &line, Some(&header.join("\t")), File::sync_all)
}

/// The same for a file of plain lines.
///
/// # Errors
/// As [`append`].
pub fn append_line(path: &Path, text: &str) -> Result<(), LedgerError> {
    add(path, &cell(text), None, File::sync_all)
}

/// `sync` makes sure of the file's content.
fn add(
    path: &Path,
    line: &str,
    header: Option<&str>,
    sync: impl Fn(&File) -> io::Result<()>,
) -> Result<(), LedgerError> {
    let fail = |source| LedgerError::Append { path: path.to_owned(), source };
    if let Some(folder) = path.parent().filter(|folder| !folder.is_dir()) {
        fs::create_dir_all(folder).map_err(fail)?;
        sync_folder(folder).map_err(|error| fail(error.source))?;
    }
    let mut file = File::options().create(true).read(true).append(true).open(path).map_err(fail)?;
    // Released when the file is closed, also by a crash.
    file.lock().map_err(fail)?;
    let length = file.seek(SeekFrom::End(0)).map_err(fail)?;
    let mut text = String::new();
    let mut fresh = length == 0;
    if length > 0 && last_byte(&mut file).map_err(fail)? != b'\n' {
        text.push('\n');
        // What a crash left of the header is no header.
        fresh = !fs::read(path).map_err(fail)?.contains(&b'\n');
    }
    if let Some(header) = header.filter(|_| fresh) {
        text += header;
        text.push('\n');
    }
    text += line;
    text.push('\n');
    let written = file.write_all(text.as_bytes());
    let whole = written.is_ok();
    let kept = written.and_then(|()| {
        sync(&file)?;
        if fresh { sync_folder(path).map_err(|error| error.source) } else { Ok(()) }
    });
    let Err(source) = kept else { return Ok(()) };
    // The lock is still ours: nobody has seen the line.
    match file.set_len(length) {
        Ok(()) => {
            // A disk that failed just now may fail again, and nothing more can be done.
            let _ = file.sync_all();
            Err(fail(source))
        }
        // Half a line does not count.
        Err(_) if !whole => Err(fail(source)),
        Err(again) => Err(LedgerError::Unsure { path: path.to_owned(), source, again }),
    }
}

fn last_byte(file: &mut File) -> io::Result<u8> {
    let mut last = [0];
    file.seek(SeekFrom::End(-1))?;
    file.read_exact(&mut last)?;
    Ok(last[0])
}

/// The lines of a table, without headers and empty lines; none if there is no file.
///
/// # Errors
/// A file that cannot be read, or is far too large.
pub fn read(path: &Path, header: &[&str]) -> Result<Vec<LedgerLine>, LedgerError> {
    let bytes = match read_bytes(path) {
        Ok(bytes) => bytes,
        Err(LedgerError::Read { source, .. }) if source.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let mut lines = Vec::new();
    let mut pieces = bytes.split(|byte| *byte == b'\n').enumerate().peekable();
    while let Some((before, piece)) = pieces.next() {
        let number = before + 1;
        if pieces.peek().is_none() {
            if !piece.is_empty() {
                let words = "has no line end: it was torn off while it was written, and was never confirmed".to_owned();
                lines.push(LedgerLine { number, content: Err(words) });
            }
            break;
        }
        let content = match std::str::from_utf8(piece) {
            Ok(text) if text.trim().is_empty() => continue,
            Ok(text) => {
                let cells: Vec<String> = text.split('\t').map(|cell| cell.trim().to_owned()).collect();
                if cells == header {
                    continue;
                }
                if cells.len() == header.len() {
                    Ok(cells)
                } else {
                    Err(format!("has {} cells, and {} are expected", cells.len(), header.len()))
                }
            }
            Err(_) => Err("is not UTF-8 text".to_owned()),
        };
        lines.push(LedgerLine { number, content });
    }
    Ok(lines)
}

fn read_bytes(path: &Path) -> Result<Vec<u8>, LedgerError> {
    let fail = |source| LedgerError::Read { path: path.to_owned(), source };
    let file = File::open(path).map_err(fail)?;
    // Nobody writes meanwhile, so no line looks torn that is not; where files cannot be locked, one may.
    let _ = file.lock_shared();
    let bytes = file.metadata().map_err(fail)?.len();
    if bytes > LARGEST {
        return Err(LedgerError::TooLarge { path: path.to_owned(), bytes, limit: LARGEST });
    }
    let mut text = Vec::with_capacity(usize::try_from(bytes).unwrap_or(0));
    (&file).take(LARGEST).read_to_end(&mut text).map_err(fail)?;
    Ok(text)
}

#[cfg(test)]
mod tests {
    use std::thread;

    use super::*;

    const HEADER: [&str; 2] = ["time", "note"];

    fn cells(texts: [&str; 2]) -> Vec<String> {
        texts.map(str::to_owned).to_vec()
    }

    fn contents(path: &Path) -> Vec<Result<Vec<String>, String>> {
        read(path, &HEADER).unwrap().into_iter().map(|line| line.content).collect()
    }

    #[test]
    fn lines_are_added_below_one_header_and_cells_cannot_break_them() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new/notes.tsv");
        assert_eq!(read(&path, &HEADER).unwrap(), []);
        append(&path, &HEADER, &cells(["1", "a\tb\nc"])).unwrap();
        append(&path, &HEADER, &cells(["2", " "])).unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "time\tnote\n1\ta b c\n2\tn/a\n");
        assert_eq!(contents(&path), [Ok(cells(["1", "a b c"])), Ok(cells(["2", "n/a"]))]);
    }

    #[test]
    fn a_file_torn_at_any_byte_is_told_of_and_added_to_without_loss() {
        let whole = "time\tnote\n1\tone\n2\ttwo\n";
        for length in 0..=whole.len() {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("notes.tsv");
            fs::write(&path, &whole[..length]).unwrap();
            let torn = length > 0 && !whole[..length].ends_with('\n');
            let kept = whole[..length].matches('\n').count().saturating_sub(1);
            let before = read(&path, &HEADER).unwrap();
            assert_eq!(before.iter().filter(|line| line.content.is_ok()).count(), kept, "{length}");
            assert_eq!(before.last().is_some_and(|line| line.content.is_err()), torn, "{length}");
            append(&path, &HEADER, &cells(["3", "three"])).unwrap();
            let text = fs::read_to_string(&path).unwrap();
            assert!(text.starts_with(&whole[..length]) && text.ends_with("\n3\tthree\n"), "{length}: {text:?}");
            assert!(text.lines().any(|line| line == "time\tnote"), "{length}: {text:?}");
            let after = read(&path, &HEADER).unwrap();
            assert_eq!(after.last().unwrap().content, Ok(cells(["3", "three"])));
            // A line that lacked its end alone is whole now, for whoever reads it.
            assert!(after.iter().filter(|line| line.content.is_ok()).count() > kept, "{length}");
        }
    }

    #[test]
    fn bad_lines_are_told_with_their_number() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notes.tsv");
        fs::write(&path, b"\xef\xbb\xbftime\tnote\r\n1\tone\r\n\n2\n3\t\xff\n4\tfour").unwrap();
        let lines = read(&path, &HEADER).unwrap();
        assert_eq!(lines.iter().map(|line| line.number).collect::<Vec<_>>(), [2, 4, 5, 6]);
        assert_eq!(lines[0].content, Ok(cells(["1", "one"])));
        let words: Vec<&str> = lines[1..].iter().map(|line| line.content.as_ref().unwrap_err().as_str()).collect();
        assert!(words[0].contains("1 cells") && words[1].contains("UTF-8") && words[2].contains("no line end"));
    }

    #[test]
    fn a_full_disk_is_told_and_nothing_counts_as_saved() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notes.tsv");
        // A device that takes nothing (full(4)).
        std::os::unix::fs::symlink("/dev/full", &path).unwrap();
        let said = append(&path, &HEADER, &cells(["1", "one"])).unwrap_err().to_string();
        assert!(
            said.contains("notes.tsv: cannot add a line: No space left") && said.contains("nothing counts as saved"),
            "{said}"
        );
        fs::remove_file(&path).unwrap();
        fs::create_dir(&path).unwrap();
        assert!(matches!(append(&path, &HEADER, &cells(["1", "one"])), Err(LedgerError::Append { .. })));
        assert!(matches!(read(&path, &HEADER), Err(LedgerError::Read { .. })));
    }

    #[test]
    fn a_line_that_cannot_be_synced_is_taken_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notes.tsv");
        let broken = |_: &File| Err(io::Error::other("the disk is gone"));
        let refused = |line: &str| add(&path, line, Some("time\tnote"), broken).unwrap_err().to_string();
        assert!(refused("1\tone").contains("the disk is gone; nothing counts as saved"));
        assert_eq!(read(&path, &HEADER).unwrap(), []);
        append(&path, &HEADER, &cells(["1", "one"])).unwrap();
        let good = fs::read(&path).unwrap();
        refused("2\ttwo");
        assert_eq!(fs::read(&path).unwrap(), good);
        // Also after what a crash left.
        fs::write(&path, [&good[..], b"2\tt"].concat()).unwrap();
        refused("2\ttwo");
        assert_eq!(fs::read(&path).unwrap(), [&good[..], b"2\tt"].concat());
        // A line that can neither be made sure of nor taken back is no refusal: /dev/null takes it and has no length.
        fs::remove_file(&path).unwrap();
        std::os::unix::fs::symlink("/dev/null", &path).unwrap();
        let said = refused("3\tthree");
        assert!(said.contains("cannot be taken back") && said.contains("look at the last line"), "{said}");
    }

    #[test]
    fn many_may_add_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notes.tsv");
        thread::scope(|scope| {
            for writer in 0..4 {
                let path = &path;
                scope.spawn(move || {
                    for i in 0..25 {
                        append(path, &HEADER, &cells([&writer.to_string(), &format!("{i} {}", "x".repeat(200))]))
                            .unwrap();
                    }
                });
            }
        });
        let lines = contents(&path);
        assert!(lines.len() == 100 && lines.iter().all(Result::is_ok));
        assert!(fs::read_to_string(&path).unwrap().matches("time\tnote").count() == 1);
    }
}
