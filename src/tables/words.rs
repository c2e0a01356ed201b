//! Counts, lists and numbers in words for people.

/// "1 child", "2 children".
#[must_use]
pub fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// "sex", "sex and age", "sex, age and site".
#[must_use]
pub fn and<S: AsRef<str>>(words: &[S]) -> String {
    let words: Vec<&str> = words.iter().map(AsRef::as_ref).collect();
    match words.as_slice() {
        [before @ .., last] if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        _ => words.concat(),
    }
}

/// "sub-01, sub-02", or, of more names than `most`, "sub-01, sub-02, sub-03 and 9 more".
#[must_use]
pub fn first_few<S: AsRef<str>>(names: &[S], most: usize) -> String {
    let shown = names.iter().take(most).map(AsRef::as_ref).collect::<Vec<_>>().join(", ");
    match names.len().saturating_sub(most) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

/// p for people: three digits, or "< 0.001".
#[must_use]
pub fn p_words(p: f64) -> String {
    if p < 0.001 { "< 0.001".to_owned() } else { figures(p, 3) }
}

/// A number for people, with a fixed count of digits after the point; n/a when it is not finite.
#[must_use]
pub fn figures(value: f64, digits: usize) -> String {
    if value.is_finite() { format!("{value:.digits$}") } else { "n/a".to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_few_are_named() {
        let names: Vec<String> = (1..=5).map(|n| format!("sub-{n}")).collect();
        assert_eq!(first_few(&names[..3], 3), "sub-1, sub-2, sub-3");
        assert_eq!(first_few(&names, 3), "sub-1, sub-2, sub-3 and 2 more");
        assert_eq!(first_few::<&str>(&[], 3), "");
    }
}
