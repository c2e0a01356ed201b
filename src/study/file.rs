//! The study file as written: TOML laid over the defaults, with the line of every value.
//!
//! A [`Section`] hands out one value at a time, the user's or else the default, checked against what is allowed. What
//! is wrong is noted with its line and reading goes on, so that all problems of a file come out together.

use std::cell::RefCell;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problem::{Fault, Problem};
use crate::tables::nearest;

/// Sections and their keys. `[[parcels]]` may appear several times.
pub(super) const SECTIONS: [(&str, &[&str]); 11] = [
    ("study", &["name", "results"]),
    (
        "scans",
        &["table", "bids", "tr_s", "where", "motion", "confounds", "brain_mask", "white_matter", "csf", "watch_log"],
    ),
    ("children", &["table", "age_column", "age_unit", "sex_column"]),
    (
        "motion",
        &[
            "from",
            "columns",
            "translation_unit",
            "rotation_unit",
            "rotation_order",
            "displacement",
            "fd_span_s",
            "sphere_radius",
            "respiration",
            "breaths_per_min",
            "low_pass_hz",
            "realign",
        ],
    ),
    (
        "censor",
        &[
            "fd_mm",
            "dvars_percent",
            "before",
            "before_s",
            "after",
            "after_s",
            "shortest_stretch",
            "shortest_stretch_s",
            "settling",
            "watch_log",
            "watch_log_types",
        ],
    ),
    (
        "clean",
        &[
            "motion_terms",
            "tissue_means",
            "global_signal",
            "tissue_components",
            "confound_columns",
            "detrend_degree",
            "band_hz",
            "fill",
        ],
    ),
    ("parcels", &["name", "image", "labels", "least_coverage"]),
    ("connectivity", &["measures", "join"]),
    ("enough", &["minutes", "dof", "coverage"]),
    ("notice", &["small_fd_mm", "large_fd_mm", "unlike_site_sd", "least_fd_dvars_r", "same_r", "short_run_s"]),
    ("output", &["series", "matrices", "pages"]),
];

/// A parsed study file over the parsed defaults.
pub(super) struct Document<'t> {
    text: &'t str,
    user: DeTable<'t>,
    default_text: &'t str,
    defaults: DeTable<'t>,
    problems: RefCell<Vec<Problem>>,
}

impl<'t> Document<'t> {
    /// Parses both texts; syntax errors alone are fatal, since what follows one cannot be trusted.
    pub(super) fn parse(text: &'t str, default_text: &'t str) -> Result<Self, Vec<Problem>> {
        let table = |text| {
            let (table, errors) = DeTable::parse_recoverable(text);
            if errors.is_empty() {
                return Ok(table.into_inner());
            }
            let problems = errors.iter().map(|error| Problem {
                line: error.span().map(|span| line_of(text, span.start)),
                fault: Fault::Syntax { reason: error.message().trim().replace('\n', "; ") },
            });
            let mut problems: Vec<Problem> = problems.collect();
            // What follows an error on the same line is its echo.
            problems.dedup_by_key(|problem| problem.line);
            Err(problems)
        };
        let (user, defaults) = (table(text)?, table(default_text)?);
        let document = Self { text, user, default_text, defaults, problems: RefCell::new(Vec::new()) };
        document.refuse_unknown();
        Ok(document)
    }

    /// A section that may appear once. If it is not given, every value is the default.
    pub(super) fn section(&self, name: &'static str) -> Section<'_, 't> {
        let user = self.user.get(name).and_then(|value| value.get_ref().as_table());
        let defaults = self.defaults.get(name).and_then(|value| value.get_ref().as_table());
        Section { document: self, name, line: self.user.get_key_value(name).map(|(k, _)| self.line(k)), user, defaults }
    }

    /// The blocks of a section that may appear several times; their defaults come from the first default block.
    pub(super) fn blocks(&self, name: &'static str) -> Vec<Section<'_, 't>> {
        let defaults = array_of(&self.defaults, name).first().and_then(|value| value.get_ref().as_table());
        let blocks = array_of(&self.user, name).iter().filter(|value| value.get_ref().is_table());
        blocks
            .map(|value| Section {
                document: self,
                name,
                line: Some(self.line(value)),
                user: value.get_ref().as_table(),
                defaults,
            })
            .collect()
    }

    /// Notes a problem.
    pub(super) fn note(&self, line: Option<usize>, fault: Fault) {
        self.problems.borrow_mut().push(Problem { line, fault });
    }

    /// All problems, in line order, those without a line last.
    pub(super) fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|problem| problem.line.unwrap_or(usize::MAX));
        problems
    }

    fn line<T>(&self, spanned: &Spanned<T>) -> usize {
        line_of(self.text, spanned.span().start)
    }

    fn written<T>(&self, spanned: &Spanned<T>) -> String {
        shortened(self.text.get(spanned.span()).unwrap_or_default())
    }

    fn refuse_unknown(&self) {
        for (key, value) in &self.user {
            let (line, name) = (Some(self.line(key)), key.get_ref().as_ref());
            let Some((_, keys)) = SECTIONS.into_iter().find(|(section, _)| *section == name) else {
                let fault = match SECTIONS.into_iter().find(|(_, keys)| keys.contains(&name)) {
                    Some((section, _)) if !value.get_ref().is_table() => {
                        Fault::OutsideSection { key: name.to_owned(), section: section.to_owned() }
                    }
                    _ => {
                        let names: Vec<&str> = SECTIONS.into_iter().map(|(section, _)| section).collect();
                        let near = nearest(name, names.iter().copied()).map(str::to_owned);
                        Fault::UnknownSection { name: name.to_owned(), near, known: names.join(", ") }
                    }
                };
                self.note(line, fault);
                continue;
            };
            match value.get_ref() {
                DeValue::Table(table) if name != "parcels" => self.refuse_unknown_keys(name, keys, table),
                DeValue::Array(array) if name == "parcels" => {
                    for element in array.iter() {
                        match element.get_ref() {
                            DeValue::Table(table) => self.refuse_unknown_keys(name, keys, table),
                            _ => self.note_value(element, name, "a block that starts with [[parcels]]"),
                        }
                    }
                }
                _ => {
                    let (open, close) = if name == "parcels" { ("[[", "]]") } else { ("[", "]") };
                    let allowed = format!("a section that starts with {open}{name}{close}");
                    let found =
                        if value.get_ref().is_table() { format!("written as [{name}]") } else { self.written(value) };
                    self.note(line, Fault::Value { key: name.to_owned(), found, allowed });
                }
            }
        }
    }

    fn refuse_unknown_keys(&self, section: &str, keys: &[&str], table: &DeTable<'t>) {
        for key in table.keys() {
            let name = key.get_ref().as_ref();
            if keys.contains(&name) {
                continue;
            }
            let near = nearest(name, keys.iter().copied()).map(str::to_owned);
            let elsewhere =
                SECTIONS.into_iter().find(|(_, keys)| keys.contains(&name)).map(|(section, _)| section.to_owned());
            let fault = match (near, elsewhere) {
                (None, Some(elsewhere)) => {
                    Fault::WrongSection { key: name.to_owned(), found: section.to_owned(), section: elsewhere }
                }
                (near, _) => Fault::UnknownKey { key: format!("{section}.{name}"), near, known: keys.join(", ") },
            };
            self.note(Some(self.line(key)), fault);
        }
    }

    fn note_value<T>(&self, value: &Spanned<T>, key: &str, allowed: &str) {
        let (found, allowed) = (self.written(value), allowed.to_owned());
        self.note(Some(self.line(value)), Fault::Value { key: key.to_owned(), found, allowed });
    }
}

/// One section: the user's values over the defaults.
pub(super) struct Section<'d, 't> {
    document: &'d Document<'t>,
    pub(super) name: &'static str,
    /// Line of the section's head, if the user wrote one.
    pub(super) line: Option<usize>,
    user: Option<&'d DeTable<'t>>,
    defaults: Option<&'d DeTable<'t>>,
}

/// A value with what messages need to say about it.
pub(super) struct FoundValue<'d, 't> {
    pub(super) value: &'d DeValue<'t>,
    /// Line in the study file; none for a default.
    pub(super) line: Option<usize>,
    /// As written.
    pub(super) written: String,
}

impl<'d, 't> Section<'d, 't> {
    /// `section.key`, as messages name it.
    pub(super) fn full(&self, key: &str) -> String {
        format!("{}.{key}", self.name)
    }

    /// The line on which the user gave this key.
    pub(super) fn given(&self, key: &str) -> Option<usize> {
        self.user?.get(key).map(|value| self.document.line(value))
    }

    /// The user's value, else the default, else none.
    pub(super) fn find(&self, key: &str) -> Option<FoundValue<'d, 't>> {
        if let Some(value) = self.user.and_then(|table| table.get(key)) {
            let (line, written) = (Some(self.document.line(value)), self.document.written(value));
            return Some(FoundValue { value: value.get_ref(), line, written });
        }
        let value = self.defaults?.get(key)?;
        let written = shortened(self.document.default_text.get(value.span()).unwrap_or_default());
        Some(FoundValue { value: value.get_ref(), line: None, written })
    }

    /// As [`Self::find`], but notes a key that has neither value nor default.
    pub(super) fn need(&self, key: &str, allowed: &str) -> Option<FoundValue<'d, 't>> {
        let found = self.find(key);
        if found.is_none() {
            self.note(self.line, Fault::Missing { key: self.full(key), allowed: allowed.to_owned() });
        }
        found
    }

    pub(super) fn note(&self, line: Option<usize>, fault: Fault) {
        self.document.note(line, fault);
    }

    /// Notes that a value is not what is allowed.
    pub(super) fn refuse(&self, key: &str, found: &FoundValue<'_, '_>, allowed: &str) {
        let (text, allowed) = (found.written.clone(), allowed.to_owned());
        self.note(found.line, Fault::Value { key: self.full(key), found: text, allowed });
    }

    /// A value that `convert` accepts.
    pub(super) fn with<T>(
        &self,
        key: &str,
        allowed: &str,
        convert: impl FnOnce(&DeValue<'t>) -> Option<T>,
    ) -> Option<T> {
        let found = self.need(key, allowed)?;
        let converted = convert(found.value);
        if converted.is_none() {
            self.refuse(key, &found, allowed);
        }
        converted
    }

    /// Text that is not blank.
    pub(super) fn text(&self, key: &str, allowed: &str) -> Option<String> {
        self.with(key, allowed, not_blank)
    }

    /// Text that is not blank, if the key is given; the outer none stands for a refused value.
    #[allow(clippy::option_option)]
    pub(super) fn optional_text(&self, key: &str, allowed: &str) -> Option<Option<String>> {
        match self.find(key) {
            None => Some(None),
            Some(_) => self.text(key, allowed).map(Some),
        }
    }

    pub(super) fn flag(&self, key: &str) -> Option<bool> {
        self.with(key, "true or false", DeValue::as_bool)
    }

    pub(super) fn number(&self, key: &str, allowed: &str, ok: impl Fn(f64) -> bool) -> Option<f64> {
        self.with(key, allowed, |value| number(value).filter(|v| ok(*v)))
    }

    pub(super) fn whole(&self, key: &str, allowed: &str, ok: impl Fn(usize) -> bool) -> Option<usize> {
        self.with(key, allowed, |value| whole(value).filter(|v| ok(*v)))
    }

    /// One of some words.
    pub(super) fn choice<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Option<T> {
        let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let allowed = one_of(&names);
        let found = self.need(key, &allowed)?;
        let word = found.value.as_str();
        let hit = words.iter().find(|(name, _)| word == Some(name));
        if hit.is_none() {
            self.refuse_word(key, &found, word, &names, &allowed);
        }
        hit.map(|(_, value)| *value)
    }

    /// A list of some words, each at most once.
    pub(super) fn choices<T: Copy + PartialEq>(&self, key: &str, words: &[(&str, T)], least: usize) -> Option<Vec<T>> {
        let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let count = if least > 0 { "one or more" } else { "any" };
        let allowed = format!("a list of {count} of {}, each once", quoted(&names));
        let found = self.need(key, &allowed)?;
        let Some(list) = found.value.as_array() else {
            self.refuse(key, &found, &allowed);
            return None;
        };
        let mut chosen = Vec::new();
        for element in list.iter() {
            let word = element.get_ref().as_str();
            match words.iter().find(|(name, _)| word == Some(name)) {
                Some((_, value)) if !chosen.contains(value) => chosen.push(*value),
                Some(_) => {
                    self.refuse(key, &found, &allowed);
                    return None;
                }
                None => {
                    self.refuse_word(key, &found, word, &names, &allowed);
                    return None;
                }
            }
        }
        if chosen.len() < least {
            self.refuse(key, &found, &allowed);
            return None;
        }
        Some(chosen)
    }

    /// A list of texts, none blank, each at most once.
    pub(super) fn texts(&self, key: &str, allowed: &str) -> Option<Vec<String>> {
        self.with(key, allowed, |value| {
            let texts: Option<Vec<String>> = value.as_array()?.iter().map(|e| not_blank(e.get_ref())).collect();
            texts.filter(|texts| distinct(texts))
        })
    }

    fn refuse_word(&self, key: &str, found: &FoundValue<'_, '_>, word: Option<&str>, names: &[&str], allowed: &str) {
        match word.and_then(|word| nearest(word, names.iter().copied())) {
            Some(near) => self.note(
                found.line,
                Fault::ValueNear {
                    key: self.full(key),
                    found: found.written.clone(),
                    allowed: allowed.to_owned(),
                    near: near.to_owned(),
                },
            ),
            None => self.refuse(key, found, allowed),
        }
    }
}

/// A finite number, written as a whole one or not.
pub(super) fn number(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(i) if i.radix() == 10 => i.as_str().parse::<f64>().ok()?,
        DeValue::Float(f) => f.as_str().parse::<f64>().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// A whole number of 0 or more.
pub(super) fn whole(value: &DeValue<'_>) -> Option<usize> {
    let integer = value.as_integer()?;
    usize::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// Text with something in it.
pub(super) fn not_blank(value: &DeValue<'_>) -> Option<String> {
    value.as_str().filter(|text| !text.trim().is_empty()).map(str::to_owned)
}

/// Whether no element appears twice.
pub(super) fn distinct<T: PartialEq>(list: &[T]) -> bool {
    list.iter().enumerate().all(|(i, element)| !list[..i].contains(element))
}

fn array_of<'d, 't>(table: &'d DeTable<'t>, name: &str) -> &'d [Spanned<DeValue<'t>>] {
    table.get(name).and_then(|value| value.get_ref().as_array()).map_or(&[], |array| &array[..])
}

fn one_of(names: &[&str]) -> String {
    match names {
        [name] => format!("\"{name}\""),
        _ => format!("one of {}", quoted(names)),
    }
}

fn quoted(names: &[&str]) -> String {
    names.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ")
}

fn line_of(text: &str, at: usize) -> usize {
    1 + text.as_bytes()[..at.min(text.len())].iter().filter(|&&b| b == b'\n').count()
}

/// A value as written, on one line and not too long for a message.
fn shortened(text: &str) -> String {
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if line.chars().count() <= 60 {
        return line;
    }
    line.chars().take(59).chain(['…']).collect()
}
