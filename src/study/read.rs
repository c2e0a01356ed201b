//! From the sections of a study file to checked settings, one function per section.
//!
//! Each function reads all its keys before it gives up, so that one pass finds every problem.

use std::collections::BTreeMap;
use std::path::Path;

use toml::de::DeValue;

use super::age_unit;
use super::bids_words::{ENTITIES, PLACEHOLDERS, entity_key, is_label};
use super::file::{Document, Section, distinct, not_blank, number, whole};
use super::problem::{Fault, Problem};
use super::settings::{
    AgeUnit, Axis, BreathsPerMin, CensorSettings, ChildrenSettings, CleanSettings, ConnectivitySettings, Displacement,
    EnoughSettings, Fill, Join, Length, MatrixFormat, Measure, MotionColumns, MotionSettings, MotionSource,
    NoticeSettings, OutputSettings, ParcelsSettings, Respiration, RotationOrder, RotationUnit, SeriesFormat, Settling,
    SphereRadius, Tissue, TranslationUnit,
};
use super::{BidsPatterns, ScanSource, Study};
use crate::tables::nearest;
use crate::units::usable_tr;

/// More frames than this is no count of frames but a slip (a day at TR 0.1 s has 864 000).
const MOST_FRAMES: usize = 1_000_000;
/// Seconds around a moved frame, of a stretch or of a span that are more than this would use up any usual run: ten
/// minutes (own convention).
const LONGEST_S: f64 = 600.0;
/// Highest degree of drift polynomials: beyond it they eat the pass band of any usual run (common practice).
const MOST_DETREND: usize = 10;
/// More components or confounds than this leaves no degrees of freedom in any usual run (common practice).
const MOST_COMPONENTS: usize = 100;
/// Allowed radii, mm. By circumference ÷ 2π a very preterm newborn's head has 37 (23 cm) and a large adult's 95 (60 cm;
/// from memory); the range is wider, to leave room for other conventions.
const SPHERE_RADIUS_MM: (f64, f64) = (20.0, 100.0);

/// Reads all sections.
pub(super) fn study(path: &Path, document: Document<'_>) -> Result<Study, Vec<Problem>> {
    let folder = path.parent().unwrap_or(Path::new(""));
    let general = general(&document.section("study"));
    let scans = scans(&document.section("scans"), folder);
    let tr_s = repetition_time(&document.section("scans"));
    let motion = motion(&document.section("motion"));
    let children = children(&document, folder, motion.as_ref());
    let censor = censor(&document.section("censor"));
    let clean = clean(&document.section("clean"));
    let parcels = parcels(&document, folder);
    let connectivity = connectivity(&document.section("connectivity"));
    let enough = enough(&document.section("enough"));
    let notice = notice(&document.section("notice"));
    let output = output(&document.section("output"));
    let problems = document.into_problems();
    if !problems.is_empty() {
        return Err(problems);
    }
    // With no problem noted every part is there; the question marks below never fire.
    let study = || {
        let (name, results) = general?;
        Some(Study {
            path: path.to_owned(),
            name,
            results: folder.join(results),
            scans: scans?,
            tr_s: tr_s?,
            children: children?,
            motion: motion?,
            censor: censor?,
            clean: clean?,
            parcels,
            connectivity: connectivity?,
            enough: enough?,
            notice: notice?,
            output: output?,
        })
    };
    study().ok_or_else(Vec::new)
}

fn general(s: &Section<'_, '_>) -> Option<(String, String)> {
    let name = s.text("name", "a name in quotes");
    let results = s.text("results", "a folder in quotes");
    Some((name?, results?))
}

fn scans(s: &Section<'_, '_>, folder: &Path) -> Option<ScanSource> {
    let table = s.optional_text("table", "the path of a scan table in quotes");
    let bids = s.optional_text("bids", "the path of a BIDS dataset in quotes");
    let entities = entities(s);
    let patterns = BidsPatterns {
        motion: pattern(s, "motion"),
        confounds: pattern(s, "confounds"),
        brain_mask: pattern(s, "brain_mask"),
        white_matter: pattern(s, "white_matter"),
        csf: pattern(s, "csf"),
        watch_log: pattern(s, "watch_log"),
    };
    match (table?, bids?) {
        (Some(_), Some(_)) => s.note(s.given("bids"), Fault::BothSources),
        (None, None) => s.note(s.line, Fault::NoSource),
        (Some(table), None) => {
            let others = ["where", "motion", "confounds", "brain_mask", "white_matter", "csf", "watch_log"];
            for key in others.into_iter().filter(|key| s.given(key).is_some()) {
                s.note(s.given(key), Fault::OnlyWithBids { key: key.to_owned() });
            }
            return Some(ScanSource::Table(folder.join(table)));
        }
        (None, Some(root)) => return Some(ScanSource::Bids { root: folder.join(root), entities, patterns }),
    }
    None
}

/// `tr_s`; the outer none stands for a refused value.
#[allow(clippy::option_option)]
fn repetition_time(s: &Section<'_, '_>) -> Option<Option<f64>> {
    let allowed = "seconds, above 0 and at most 100";
    let Some(found) = s.find("tr_s") else { return Some(None) };
    let value = number(found.value);
    if let Some(tr_s) = value.and_then(usable_tr) {
        return Some(Some(tr_s));
    }
    match value.map(|milliseconds| milliseconds / 1000.0).and_then(usable_tr) {
        Some(seconds) => s.note(found.line, Fault::Milliseconds { key: s.full("tr_s"), found: found.written, seconds }),
        None => s.refuse("tr_s", &found, allowed),
    }
    None
}

/// `where`: entity keys as they stand in file names, with the label wanted.
fn entities(s: &Section<'_, '_>) -> BTreeMap<String, String> {
    let mut entities = BTreeMap::new();
    let Some(found) = s.find("where") else { return entities };
    let Some(table) = found.value.as_table() else {
        s.refuse("where", &found, "BIDS entities with their labels, as in { task = \"rest\" }");
        return entities;
    };
    for (key, value) in table {
        let word = key.get_ref().as_ref();
        let name = format!("where.{word}");
        let Some(entity) = entity_key(word) else {
            let words = ENTITIES.into_iter().flat_map(|(key, long)| [key, long]);
            let near = nearest(word, words).map(str::to_owned);
            let known = ENTITIES.map(|(key, _)| key).join(", ");
            s.note(found.line, Fault::UnknownKey { key: s.full(&name), near, known });
            continue;
        };
        let label = match value.get_ref() {
            DeValue::String(text) => Some(text.strip_prefix(&format!("{entity}-")).unwrap_or(text))
                .filter(|t| is_label(t))
                .map(str::to_owned),
            DeValue::Integer(i) if i.radix() == 10 && is_label(i.as_str()) => Some(i.as_str().to_owned()),
            _ => None,
        };
        match label {
            Some(label) => {
                entities.insert(entity.to_owned(), label);
            }
            None => s.refuse(&name, &found, "a label of letters and digits in quotes, as in { task = \"rest\" }"),
        }
    }
    entities
}

/// A file pattern: braces must be paired and hold a known placeholder.
fn pattern(s: &Section<'_, '_>, key: &str) -> Option<String> {
    let allowed = "a path in quotes, with {participant}, {session}, {task}, {run} or {stem} to be filled in";
    let text = s.optional_text(key, allowed)??;
    let found = s.find(key)?;
    let mut rest = text.as_str();
    while let Some(at) = rest.find(['{', '}']) {
        let word = rest[at..].strip_prefix('{').and_then(|inner| inner.split_once('}'));
        let Some((_, after)) = word.filter(|(word, _)| PLACEHOLDERS.contains(word)) else {
            match word.and_then(|(word, _)| nearest(word, PLACEHOLDERS.into_iter())) {
                Some(near) => s.note(
                    found.line,
                    Fault::ValueNear {
                        key: s.full(key),
                        found: found.written,
                        allowed: allowed.to_owned(),
                        near: format!("{{{near}}}"),
                    },
                ),
                None => s.refuse(key, &found, allowed),
            }
            return None;
        };
        rest = after;
    }
    Some(text)
}

fn children(document: &Document<'_>, folder: &Path, motion: Option<&MotionSettings>) -> Option<ChildrenSettings> {
    let s = document.section("children");
    let table = s.optional_text("table", "the path of a participants table in quotes");
    let age_column = s.optional_text("age_column", "a column name in quotes");
    let sex_column = s.optional_text("sex_column", "a column name in quotes");
    let units =
        [("months", AgeUnit::Months), ("years", AgeUnit::Years), ("days", AgeUnit::Days), ("weeks", AgeUnit::Weeks)];
    let age_unit = s.choice("age_unit", &units);
    let dataset =
        document.section("scans").find("bids").and_then(|found| found.value.as_str().map(|root| folder.join(root)));
    let described =
        table.clone().flatten().map(|table| folder.join(table)).or(dataset.map(|root| root.join("participants.tsv")));
    let told = described.zip(age_column.clone().flatten());
    let told = told.and_then(|(table, column)| age_unit::in_dictionary(&table, &column));
    let age_unit = match (told, age_unit) {
        (Some((Some(unit), _)), Some(_)) if s.given("age_unit").is_none() => Some(unit),
        (Some((unit, words)), Some(own)) if unit != Some(own) => {
            s.note(s.given("age_unit"), Fault::AgeUnit { words, given: s.given("age_unit").is_some() });
            None
        }
        (_, own) => own,
    };
    // A BIDS dataset brings its own participants.tsv.
    let has_table = s.given("table").is_some() || document.section("scans").given("bids").is_some();
    for key in ["age_column", "sex_column"] {
        if let Some(line) = s.given(key).filter(|_| !has_table) {
            s.note(Some(line), Fault::ColumnWithoutTable { key: s.full(key) });
        }
    }
    if motion.is_some_and(|m| m.sphere_radius == SphereRadius::ByAge) && s.given("age_column").is_none() {
        s.note(document.section("motion").given("sphere_radius"), Fault::RadiusWithoutAge);
    }
    let by_age = |m: &MotionSettings| m.respiration == Respiration::Notch && m.breaths_per_min == BreathsPerMin::ByAge;
    if motion.is_some_and(by_age) && s.given("age_column").is_none() {
        s.note(document.section("motion").given("respiration"), Fault::BreathsWithoutAge);
    }
    Some(ChildrenSettings {
        table: table?.map(|table| folder.join(table)),
        age_column: age_column?,
        age_unit: age_unit?,
        sex_column: sex_column?,
    })
}

fn motion(s: &Section<'_, '_>) -> Option<MotionSettings> {
    let from = s.choice("from", &[("table", MotionSource::Table), ("images", MotionSource::Images)]);
    // Its default depends on `from`, so it has no line of its own among the defaults.
    let realign = if s.given("realign").is_some() { s.flag("realign") } else { Some(true) };
    if from == Some(MotionSource::Table) && s.given("realign").is_some() {
        s.note(s.given("realign"), Fault::RealignWithTable);
    }
    let respiration = s.choice(
        "respiration",
        &[("leave", Respiration::Leave), ("notch", Respiration::Notch), ("low-pass", Respiration::LowPass)],
    );
    let breaths_per_min =
        s.with("breaths_per_min", "\"by-age\", or [low, high] breaths a minute with 0 < low < high", breaths);
    let low_pass_hz = s.number("low_pass_hz", "a frequency in Hz above 0", |v| v > 0.0);

    let columns = s.with(
        "columns",
        "six different column names in quotes, or six different positions counted from 1: \
         translations x y z, then rotations x y z",
        columns,
    );
    let translation_unit = s.choice("translation_unit", &[("mm", TranslationUnit::Mm), ("m", TranslationUnit::M)]);
    let rotation_unit = s.choice("rotation_unit", &[("rad", RotationUnit::Rad), ("deg", RotationUnit::Deg)]);
    let rotation_order =
        s.with("rotation_order", "the letters x, y and z in some order, as in \"xyz\"", rotation_order);
    let displacement = s.choice("displacement", &[("sum", Displacement::Sum), ("rms", Displacement::Rms)]);
    let fd_span_s =
        s.number("fd_span_s", "seconds, 0 to 600 (0: from frame to frame)", |v| (0.0..=LONGEST_S).contains(&v));
    let sphere_radius = sphere_radius(s);
    Some(MotionSettings {
        from: from?,
        columns: columns?,
        translation_unit: translation_unit?,
        rotation_unit: rotation_unit?,
        rotation_order: rotation_order?,
        displacement: displacement?,
        fd_span_s: fd_span_s?,
        sphere_radius: sphere_radius?,
        respiration: respiration?,
        breaths_per_min: breaths_per_min?,
        low_pass_hz: low_pass_hz?,
        // Without poses there is nothing to align by.
        realign: realign? && from == Some(MotionSource::Images),
    })
}

fn breaths(value: &DeValue<'_>) -> Option<BreathsPerMin> {
    if value.as_str() == Some("by-age") {
        return Some(BreathsPerMin::ByAge);
    }
    let rates: Option<Vec<f64>> = value.as_array()?.iter().map(|e| number(e.get_ref())).collect();
    match rates?.as_slice() {
        &[low, high] if 0.0 < low && low < high => Some(BreathsPerMin::Rates([low, high])),
        _ => None,
    }
}

fn columns(value: &DeValue<'_>) -> Option<MotionColumns> {
    let list = value.as_array()?;
    let names: Option<Vec<String>> = list.iter().map(|e| not_blank(e.get_ref())).collect();
    if let Some(names) = names.filter(|names| distinct(names)) {
        return names.try_into().ok().map(MotionColumns::Names);
    }
    let positions: Option<Vec<usize>> = list.iter().map(|e| whole(e.get_ref()).filter(|p| *p >= 1)).collect();
    let positions = positions.filter(|positions| distinct(positions))?;
    positions.try_into().ok().map(MotionColumns::Positions)
}

fn rotation_order(value: &DeValue<'_>) -> Option<RotationOrder> {
    let axes: Option<Vec<Axis>> = value
        .as_str()?
        .chars()
        .map(|letter| match letter {
            'x' => Some(Axis::X),
            'y' => Some(Axis::Y),
            'z' => Some(Axis::Z),
            _ => None,
        })
        .collect();
    let axes = axes.filter(|axes| distinct(axes))?;
    axes.try_into().ok().map(RotationOrder)
}

fn sphere_radius(s: &Section<'_, '_>) -> Option<SphereRadius> {
    let allowed = "a radius of 20 to 100 mm, \"by-age\", or \"from-mask\"";
    let found = s.need("sphere_radius", allowed)?;
    match found.value.as_str() {
        Some("by-age") => return Some(SphereRadius::ByAge),
        Some("from-mask") => return Some(SphereRadius::FromMask),
        _ => {}
    }
    let (least, most) = SPHERE_RADIUS_MM;
    let radius = number(found.value).filter(|mm| (least..=most).contains(mm));
    if radius.is_none() {
        s.refuse("sphere_radius", &found, allowed);
    }
    radius.map(SphereRadius::Mm)
}

fn censor(s: &Section<'_, '_>) -> Option<CensorSettings> {
    let leading = "a whole number of frames, 0 or more, or \"auto\"";
    let fd_mm = s.number("fd_mm", "a number of mm, 0 or more (0 turns it off)", |v| v >= 0.0);
    let dvars_percent = s.number("dvars_percent", "a number of percent, 0 or more (0 turns it off)", |v| v >= 0.0);
    let (before, after, shortest_stretch) = (
        length(s, "before", "before_s"),
        length(s, "after", "after_s"),
        length(s, "shortest_stretch", "shortest_stretch_s"),
    );
    let settling = s.with("settling", leading, |value| match value.as_str() {
        Some("auto") => Some(Settling::Auto),
        _ => whole(value).filter(|n| *n <= MOST_FRAMES).map(Settling::Frames),
    });
    let watch_log = s.flag("watch_log");
    let watch_log_types = s.texts("watch_log_types", "a list of trial_type values in quotes, each once; [] for all");
    Some(CensorSettings {
        fd_mm: fd_mm?,
        dvars_percent: dvars_percent?,
        before: before?,
        after: after?,
        shortest_stretch: shortest_stretch?,
        settling: settling?,
        watch_log: watch_log?,
        watch_log_types: watch_log_types?,
    })
}

/// A length that is given in frames or in seconds, each with a key of its own; the default is in frames.
fn length(s: &Section<'_, '_>, key: &'static str, seconds_key: &'static str) -> Option<Length> {
    if let (Some(line), Some(seconds_line)) = (s.given(key), s.given(seconds_key)) {
        let (key, seconds_key) = (s.full(key), s.full(seconds_key));
        s.note(Some(seconds_line), Fault::BothForms { key, line, seconds_key });
        return None;
    }
    if s.given(seconds_key).is_some() {
        let seconds = s.number(seconds_key, "seconds, 0 to 600", |v| (0.0..=LONGEST_S).contains(&v));
        return seconds.map(Length::Seconds);
    }
    s.whole(key, "a whole number of frames, 0 or more", |n| n <= MOST_FRAMES).map(Length::Frames)
}

fn clean(s: &Section<'_, '_>) -> Option<CleanSettings> {
    let motion_terms = s.whole("motion_terms", "0, 6, 12 or 24", |n| [0, 6, 12, 24].contains(&n));
    let tissues = [("white_matter", Tissue::WhiteMatter), ("csf", Tissue::Csf)];
    let tissue_means = s.choices("tissue_means", &tissues, 0);
    let global_signal = s.flag("global_signal");
    let tissue_components =
        s.whole("tissue_components", "a whole number from 0 to 100 (0: none)", |n| n <= MOST_COMPONENTS);
    let confound_columns =
        s.texts("confound_columns", "a list of column names of the confounds table in quotes, each once");
    let detrend_degree = s.whole("detrend_degree", "a whole number from 0 to 10", |n| n <= MOST_DETREND);
    let band_hz = s.with("band_hz", "[low, high] in Hz with 0 < low < high, or [] for no filter", band);
    let fill = s.choice("fill", &[("linear", Fill::Linear), ("spectral", Fill::Spectral)]);
    Some(CleanSettings {
        motion_terms: motion_terms?,
        tissue_means: tissue_means?,
        global_signal: global_signal?,
        tissue_components: tissue_components?,
        confound_columns: confound_columns?,
        detrend_degree: detrend_degree?,
        band_hz: band_hz?,
        fill: fill?,
    })
}

#[allow(clippy::option_option)]
fn band(value: &DeValue<'_>) -> Option<Option<[f64; 2]>> {
    let edges: Option<Vec<f64>> = value.as_array()?.iter().map(|e| number(e.get_ref())).collect();
    match edges?.as_slice() {
        [] => Some(None),
        &[low, high] if 0.0 < low && low < high => Some(Some([low, high])),
        _ => None,
    }
}

fn parcels(document: &Document<'_>, folder: &Path) -> Vec<ParcelsSettings> {
    let mut parcels = Vec::new();
    let mut names: Vec<(String, usize)> = Vec::new();
    let blocks = document.blocks("parcels");
    // A wrong kind of [parcels] has been noted already.
    if blocks.is_empty() && document.section("parcels").line.is_none() {
        let allowed = "at least one [[parcels]] block with the name and image of an atlas".to_owned();
        document.note(None, Fault::Missing { key: "parcels".to_owned(), allowed });
    }
    for s in blocks {
        let label = "a name of letters and digits in quotes, as in \"tern30\"";
        let name = s.with("name", label, |value| not_blank(value).filter(|name| is_label(name)));
        let image = s.text("image", "the path of an atlas image in quotes");
        let labels = s.optional_text("labels", "the path of a table of parcel names in quotes");
        let least_coverage = share(&s, "least_coverage", "a share from 0 to 1");
        let (Some(name), line) = (name, s.given("name").unwrap_or_default()) else { continue };
        // Names end in file names, and some file systems do not tell case apart.
        match names.iter().find(|(earlier, _)| earlier.eq_ignore_ascii_case(&name)) {
            Some((_, first)) => s.note(Some(line), Fault::NameTwice { name: name.clone(), first: *first }),
            None => names.push((name.clone(), line)),
        }
        if let (Some(image), Some(labels), Some(least_coverage)) = (image, labels, least_coverage) {
            let (image, labels) = (folder.join(image), labels.map(|labels| folder.join(labels)));
            parcels.push(ParcelsSettings { name, image, labels, least_coverage });
        }
    }
    parcels
}

fn connectivity(s: &Section<'_, '_>) -> Option<ConnectivitySettings> {
    let measures = s.choices("measures", &Measure::ALL.map(|measure| (measure.key(), measure)), 1);
    let join = s.choice("join", &[("runs", Join::Runs), ("sessions", Join::Sessions), ("none", Join::None)]);
    Some(ConnectivitySettings { measures: measures?, join: join? })
}

fn enough(s: &Section<'_, '_>) -> Option<EnoughSettings> {
    let minutes = s.number("minutes", "a number of minutes, 0 or more", |v| v >= 0.0);
    let dof = s.number("dof", "a number, 0 or more (0: not required)", |v| v >= 0.0);
    let coverage = share(s, "coverage", "a share from 0 to 1 (0: not required)");
    Some(EnoughSettings { minutes: minutes?, dof: dof?, coverage: coverage? })
}

fn notice(s: &Section<'_, '_>) -> Option<NoticeSettings> {
    let least = |key, allowed| s.number(key, allowed, |v| v >= 0.0);
    let small_fd_mm = least("small_fd_mm", "mm, 0 or more (0: not noticed)");
    let large_fd_mm = s.number("large_fd_mm", "mm, above 0", |v| v > 0.0);
    let unlike_site_sd = s.number("unlike_site_sd", "a number of SD, above 0", |v| v > 0.0);
    let least_fd_dvars_r = s.number("least_fd_dvars_r", "a correlation from -1 to 1", |v| (-1.0..=1.0).contains(&v));
    let same_r = s.number("same_r", "a correlation from 0.9 to 1", |v| (0.9..=1.0).contains(&v));
    let short_run_s = least("short_run_s", "seconds, 0 or more (0: not noticed)");
    Some(NoticeSettings {
        small_fd_mm: small_fd_mm?,
        large_fd_mm: large_fd_mm?,
        unlike_site_sd: unlike_site_sd?,
        least_fd_dvars_r: least_fd_dvars_r?,
        same_r: same_r?,
        short_run_s: short_run_s?,
    })
}

fn output(s: &Section<'_, '_>) -> Option<OutputSettings> {
    let series = [
        ("tsv", SeriesFormat::Tsv),
        ("npy", SeriesFormat::Npy),
        ("both", SeriesFormat::Both),
        ("none", SeriesFormat::None),
    ];
    let matrices = [("tsv", MatrixFormat::Tsv), ("npy", MatrixFormat::Npy), ("both", MatrixFormat::Both)];
    let (series, matrices) = (s.choice("series", &series), s.choice("matrices", &matrices));
    let pages = s.flag("pages");
    Some(OutputSettings { series: series?, matrices: matrices?, pages: pages? })
}

fn share(s: &Section<'_, '_>, key: &str, allowed: &str) -> Option<f64> {
    s.number(key, allowed, |v| (0.0..=1.0).contains(&v))
}
