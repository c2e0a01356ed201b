use std::path::PathBuf;

use super::*;

/// Writes `bytes` to a file; the message helper puts `FILE` in place of its path.
struct Fixture {
    _folder: tempfile::TempDir,
    path: PathBuf,
}

fn fixture(bytes: &[u8]) -> Fixture {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.txt");
    std::fs::write(&path, bytes).unwrap();
    Fixture { _folder: folder, path }
}

fn tsv(text: &str) -> TextTable {
    read_tsv(&fixture(text.as_bytes()).path).unwrap()
}

fn numeric(text: &str) -> TextTable {
    read_numeric(&fixture(text.as_bytes()).path).unwrap()
}

fn tsv_message(bytes: &[u8]) -> String {
    let f = fixture(bytes);
    read_tsv(&f.path).unwrap_err().to_string().replace(&f.path.display().to_string(), "FILE")
}

fn numeric_message(bytes: &[u8]) -> String {
    let f = fixture(bytes);
    read_numeric(&f.path).unwrap_err().to_string().replace(&f.path.display().to_string(), "FILE")
}

fn cells(table: &TextTable) -> Vec<(usize, Vec<&str>)> {
    table.rows.iter().map(|row| (row.line, row.cells.iter().map(String::as_str).collect())).collect()
}

#[test]
fn tsv_keeps_lines_and_order() {
    let table = tsv("\u{feff}participant_id\tage\r\nsub-a\t3\r\n\r\nsub-b\tn/a\r\n");
    assert_eq!(table.header, Some(vec!["participant_id".to_owned(), "age".to_owned()]));
    assert_eq!(cells(&table), [(2, vec!["sub-a", "3"]), (4, vec!["sub-b", "n/a"])]);
    assert_eq!(table.column("age"), Some(1));
    assert_eq!(table.column("Age"), None);
    assert_eq!(table.number(0, 1), Ok(Some(3.0)));
    assert_eq!(table.number(1, 1), Ok(None));
}

#[test]
fn tsv_empty_cells_at_the_edges_count() {
    assert_eq!(cells(&tsv("a\tb\tc\n\t\tx\nx\t\t\n")), [(2, vec!["", "", "x"]), (3, vec!["x", "", ""])]);
}

#[test]
fn lone_carriage_returns_end_lines() {
    assert_eq!(cells(&tsv("a\tb\r1\t2\r")), [(2, vec!["1", "2"])]);
}

#[test]
fn numeric_tells_the_separator() {
    let expected = [(1, vec!["1", "-2.5", "3e-2"]), (2, vec!["4", "5", "6"])];
    for text in ["1\t-2.5\t3e-2\n4\t5\t6\n", "1, -2.5, 3e-2\n4,5,6\n", "  1   -2.5  3e-2\n 4 5   6  "] {
        let table = numeric(text);
        assert_eq!(table.header, None, "{text}");
        assert_eq!(cells(&table), expected, "{text}");
    }
}

#[test]
fn numeric_header_comments_and_first_row_gaps() {
    let table = numeric("# made by hand\n\nx y z\n# frame 0\nn/a NaN 1\n2 3 4\n");
    assert_eq!(table.header, Some(vec!["x".to_owned(), "y".to_owned(), "z".to_owned()]));
    assert_eq!(cells(&table), [(5, vec!["n/a", "NaN", "1"]), (6, vec!["2", "3", "4"])]);
    // A first line of gaps and numbers is no header.
    assert_eq!(numeric("n/a\t\t1\n2\t3\t4\n").header, None);
}

#[test]
fn quoted_names_in_comma_files() {
    let table = numeric("\"shift, x\",\"turn \"\"z\"\"\", plain\n\"1.5\",2,3\n");
    assert_eq!(table.header, Some(vec!["shift, x".to_owned(), "turn \"z\"".to_owned(), "plain".to_owned()]));
    assert_eq!(table.number(0, 0), Ok(Some(1.5)));
}

#[test]
fn bad_tables_are_named() {
    let cases: [(&[u8], &str); 8] = [
        (b"", "FILE is empty; expected a header line and rows"),
        (b"a,b\n1,2\n", "FILE line 1: no tab in the header line 'a,b'; the table must be separated by tabs"),
        (b"a\tb\n1\t2\n\n1\t2\t3\n", "FILE line 4: 3 cells, expected 2 as in line 1; fill gaps with n/a"),
        (b"a\tb\ta\n", "FILE line 1: column 'a' appears twice (columns 1 and 3); rename or remove one"),
        (b"a\t\tc\n", "FILE line 1: column 2 has no name; name every column of the header line"),
        (b"a\tb\nx\t\xe9\n", "FILE line 2: bytes that are not UTF-8; save the table as UTF-8 text"),
        (b"\xff\xfea\0", "FILE is written in UTF-16; save it as UTF-8 text"),
        (b"a\tb\n\0\t", "FILE line 2: not text (a zero byte was found); give a plain text table"),
    ];
    for (bytes, message) in cases {
        assert_eq!(tsv_message(bytes), message);
    }
    let cases: [(&[u8], &str); 5] = [
        (b"# only words\n", "FILE is empty; expected a header line and rows"),
        (b"x y z\n", "FILE has no rows; expected one row per frame"),
        (b"x y\n1 2\n1 2 3\n", "FILE line 3: 3 cells, expected 2 as in line 1; fill gaps with n/a"),
        (b"1;2\n", "FILE line 1: cells separated by semicolons; separate them by tabs, commas or blanks"),
        (b"x,y,x\n1,2,3\n", "FILE line 1: column 'x' appears twice (columns 1 and 3); rename or remove one"),
    ];
    for (bytes, message) in cases {
        assert_eq!(numeric_message(bytes), message);
    }
}

#[test]
fn bad_cells_are_named() {
    let f = fixture(b"x y\n1 2\nfar inf\n");
    let table = read_numeric(&f.path).unwrap();
    let message = |row, col| {
        let text = table.number(row, col).unwrap_err().to_string();
        text.replace(&f.path.display().to_string(), "FILE")
    };
    assert_eq!(message(1, 0), "FILE line 3, column 'x': 'far' is not a number; write a number there");
    assert_eq!(message(1, 1), "FILE line 3, column 'y': 'inf' is not finite; write a finite number there");
    assert_eq!(message(2, 0), "FILE has 2 rows and 2 columns; row 3, column 1 does not exist");
    let f = fixture(b"1 2\n3 4,5\n");
    let table = read_numeric(&f.path).unwrap();
    assert!(table.number(1, 1).unwrap_err().to_string().contains("line 2, column 2: '4,5' is not a number"));
}

#[test]
fn folders_and_missing_files_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let shown = folder.path().display().to_string();
    let message = read_tsv(folder.path()).unwrap_err().to_string().replace(&shown, "FOLDER");
    assert_eq!(message, "FOLDER is a folder, where a text table was expected; name a file in it");
    let message = read_tsv(&folder.path().join("absent.tsv")).unwrap_err().to_string().replace(&shown, "FOLDER");
    assert!(message.starts_with("cannot read FOLDER/absent.tsv: "), "{message}");
}

#[test]
fn nearest_word() {
    let known = ["motion_terms", "tissue_means", "band_hz", "fd_mm"];
    let ask = |word| nearest(word, known.into_iter());
    assert_eq!(ask("motion_term"), Some("motion_terms"));
    assert_eq!(ask("Tissue_Mean"), Some("tissue_means"));
    assert_eq!(ask("fd_nm"), Some("fd_mm"));
    assert_eq!(ask("bnad_hz"), Some("band_hz"));
    assert_eq!(ask("colour"), None);
    // A column of ages is asked for by its beginning.
    assert_eq!((ask("mot"), ask("mo")), (Some("motion_terms"), None));
    assert_eq!(ask(""), None);
}

/// The distance against the plain recursive definition, for every pair of words of up to four letters from two.
#[test]
fn edit_distance_equals_its_slow_twin() {
    fn slow(a: &[char], b: &[char]) -> usize {
        let (Some((x, a1)), Some((y, b1))) = (a.split_last(), b.split_last()) else {
            return a.len().max(b.len());
        };
        let mut d = (slow(a1, b) + 1).min(slow(a, b1) + 1).min(slow(a1, b1) + usize::from(x != y));
        if let (Some((x2, a2)), Some((y2, b2))) = (a1.split_last(), b1.split_last())
            && x == y2
            && x2 == y
        {
            d = d.min(slow(a2, b2) + 1);
        }
        d
    }
    let words: Vec<Vec<char>> = (0..=4u32)
        .flat_map(|n| {
            (0..1u32 << n).map(move |bits| (0..n).map(|i| if bits >> i & 1 == 1 { 'a' } else { 'b' }).collect())
        })
        .collect();
    assert_eq!(words.len(), 31);
    for a in &words {
        for b in &words {
            assert_eq!(edit_distance(a, b), slow(a, b), "{a:?} {b:?}");
        }
    }
}

#[test]
fn numbers_read_back_the_same() {
    let text = |v| {
        let mut out = Vec::new();
        write_number_f32(&mut out, v);
        String::from_utf8(out).unwrap()
    };
    let mut values = vec![0.1, -0.2, 1.0, 123_456_789.0, 1e-7, 1e20, f64::from(f32::MAX), f64::from(f32::MIN_POSITIVE)];
    values.extend((1..2000).map(|i| f64::from(i) * 0.000_731 - 0.5));
    for v in values {
        let text = text(v);
        assert_eq!(text.parse::<f32>().unwrap().to_bits(), (v as f32).to_bits(), "{v} {text}");
    }
    assert_eq!(text(f64::NAN), "n/a");
    assert_eq!(text(f64::INFINITY), "n/a");
    assert_eq!(text(-0.0), "0");
    assert_eq!(text(0.1), "0.1");
    assert_eq!(text(-30.0), "-30");
    assert_eq!(text(1e-46), "0");
    assert_eq!(text(2.5e-7), "2.5e-7");
}
