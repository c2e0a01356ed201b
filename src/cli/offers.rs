//! What completions offer after an option: its few words, or words to begin with. What is allowed is decided by the
//! option's own function, whose message says what it expected.

use std::ffi::OsStr;

use clap::builder::{PossibleValue, TypedValueParser};

/// A function that reads a value, with the words that completions offer for it.
pub(crate) struct Offering<T> {
    read: fn(&str) -> Result<T, String>,
    words: fn() -> Vec<String>,
}

/// The words of an option that has few.
pub(crate) fn keys(keys: &[&str]) -> Vec<String> {
    keys.iter().map(|&key| key.to_owned()).collect()
}

impl<T> Offering<T> {
    pub(crate) const fn new(read: fn(&str) -> Result<T, String>, words: fn() -> Vec<String>) -> Self {
        Self { read, words }
    }
}

// Derived, it would ask for `T: Clone`, though both fields are functions.
impl<T> Clone for Offering<T> {
    fn clone(&self) -> Self {
        Self { read: self.read, words: self.words }
    }
}

impl<T: Clone + Send + Sync + 'static> TypedValueParser for Offering<T> {
    type Value = T;

    fn parse_ref(
        &self,
        command: &clap::Command,
        argument: Option<&clap::Arg>,
        value: &OsStr,
    ) -> Result<Self::Value, clap::Error> {
        self.read.parse_ref(command, argument, value)
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        Some(Box::new((self.words)().into_iter().map(PossibleValue::new)))
    }
}
