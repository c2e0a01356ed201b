//! What the programs that outside checks call have in common: JSON in, JSON or words out.

use std::error::Error;
use std::process::ExitCode;

use serde_json::Value;

pub type Result<T> = std::result::Result<T, Box<dyn Error>>;

/// Writes a value to standard output, or what went wrong to standard error.
pub fn answer(done: Result<Value>) -> ExitCode {
    match done {
        Ok(value) => {
            println!("{value}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

/// The request, as JSON on standard input.
#[allow(dead_code, reason = "one of the programs takes none")]
pub fn read_stdin() -> Result<Value> {
    Ok(serde_json::from_reader(std::io::stdin().lock())?)
}
