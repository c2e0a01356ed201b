//! Exit codes (docs/commands.md).

pub(crate) const ALL_DONE: u8 = 0;
pub(crate) const NOTHING_DONE: u8 = 1;
pub(crate) const WRONG_USAGE: u8 = 2;
pub(crate) const SOME_FAILED: u8 = 3;
pub(crate) const INTERRUPTED: u8 = 130;

/// Why a command ends without a result.
#[derive(Debug)]
pub(crate) struct Failure {
    pub code: u8,
    pub message: String,
}

impl Failure {
    /// Nothing could be done.
    pub(crate) fn nothing_done(error: impl std::fmt::Display) -> Self {
        Self { code: NOTHING_DONE, message: error.to_string() }
    }

    /// The command line asks for something that cannot be.
    pub(crate) fn usage(message: String) -> Self {
        Self { code: WRONG_USAGE, message }
    }
}
