//! Standard output for results, standard error for everything else. A closed pipe (`| head`) is not an error.

use std::io::{self, ErrorKind, Write};

pub(crate) use keepstill::tables::counted;

use super::exit::Failure;

/// Writes a result.
pub(crate) fn text(text: &str) -> Result<(), Failure> {
    let mut stdout = io::stdout().lock();
    match stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::nothing_done(format!("cannot write to standard output: {error}")))
        }
        _ => Ok(()),
    }
}

/// Writes a result as JSON.
pub(crate) fn json(value: &serde_json::Value) -> Result<(), Failure> {
    text(&format!("{value:#}\n"))
}

/// Writes a line to standard error.
pub(crate) fn note(line: &str) {
    let _ = writeln!(io::stderr().lock(), "{line}");
}

/// Says what went wrong.
pub(crate) fn complain(message: &str) {
    note(&format!("keepstill: {message}"));
}
