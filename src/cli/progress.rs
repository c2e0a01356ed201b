//! Progress: bars on a terminal (one for the cohort with the time left, one for each scan in work), plain lines
//! elsewhere.

use std::collections::{HashMap, HashSet};
use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::Duration;

use indicatif::{HumanDuration, MultiProgress, ProgressBar, ProgressState, ProgressStyle};
use keepstill::batch::alike::NAMED;
use keepstill::event::Event;
use keepstill::report::figures;
use keepstill::stack::Step;
use keepstill::tables::first_few;

use super::{Common, out};

/// Draws events on standard error.
pub(crate) struct Progress {
    quiet: bool,
    verbose: bool,
    bars: Option<Bars>,
    told: Mutex<Vec<Told>>,
}

/// A message that several scans may share: it is said with the first, and the others are counted.
struct Told {
    failed: bool,
    alike: String,
    /// Every scan that it was about, tries included.
    scans: HashSet<String>,
    /// Those that nothing was said of yet.
    more: Vec<String>,
}

struct Bars {
    all: MultiProgress,
    cohort: Mutex<Option<Cohort>>,
    scans: Mutex<HashMap<String, ProgressBar>>,
}

/// The cohort's bar counts in thousandths of a scan, so that the time left is known before the first scan is done.
struct Cohort {
    bar: ProgressBar,
    done: u64,
    to_do: usize,
}

const PARTS: u64 = 1000;

impl Cohort {
    /// `under_way`: sum of the shares read of the scans in work.
    fn draw(&self, under_way: f64) {
        self.bar.set_position(self.done * PARTS + (under_way * PARTS as f64) as u64);
        self.bar.set_message(format!("{} of {} scans", self.done, self.to_do));
    }
}

impl Progress {
    pub(crate) fn new(common: &Common) -> Self {
        let bars = (!common.quiet && std::io::stderr().is_terminal()).then(|| Bars {
            all: MultiProgress::new(),
            cohort: Mutex::new(None),
            scans: Mutex::new(HashMap::new()),
        });
        Self { quiet: common.quiet, verbose: common.verbose, bars, told: Mutex::default() }
    }

    /// Shows one event.
    pub(crate) fn show(&self, event: &Event) {
        let shared = match event {
            _ if self.verbose => false,
            Event::ScanFailed { scan, alike, .. } => self.is_shared(true, scan, alike),
            Event::ScanWarning { about, alike, .. } => self.is_shared(false, about, alike),
            _ => false,
        };
        if matches!(event, Event::Finished { .. }) {
            self.rest().iter().for_each(|line| self.say(line));
        }
        if let Some(line) = self.line(event).filter(|_| !shared) {
            self.say(&line);
        }
        if let Some(bars) = &self.bars {
            bars.show(event);
        }
    }

    fn say(&self, line: &str) {
        match &self.bars {
            Some(bars) => drop(bars.all.println(line)),
            None => out::note(line),
        }
    }

    /// Whether the same was said of another scan, or of this one in an earlier run; notes it for later.
    fn is_shared(&self, failed: bool, scan: &str, alike: &str) -> bool {
        let mut told = self.told.lock().unwrap_or_else(|e| e.into_inner());
        match told.iter_mut().find(|told| told.failed == failed && told.alike == alike) {
            Some(told) => {
                if told.scans.insert(scan.to_owned()) {
                    told.more.push(scan.to_owned());
                }
                true
            }
            None => {
                let scans = HashSet::from([scan.to_owned()]);
                told.push(Told { failed, alike: alike.to_owned(), scans, more: Vec::new() });
                false
            }
        }
    }

    /// One line for each message that more scans share.
    fn rest(&self) -> Vec<String> {
        let mut told = self.told.lock().unwrap_or_else(|e| e.into_inner());
        let line = |told: &mut Told| {
            let mut more = std::mem::take(&mut told.more);
            more.sort();
            let kind = if told.failed { "failed" } else { "note" };
            let scans = out::counted(more.len(), "more scan", "more scans");
            let wanted = !more.is_empty() && (told.failed || !self.quiet);
            wanted.then(|| format!("{scans} ({}): {kind}: {}", first_few(&more, NAMED), told.alike))
        };
        told.iter_mut().filter_map(line).collect()
    }

    /// The line that an event is worth, if any.
    fn line(&self, event: &Event) -> Option<String> {
        let kept = |minutes_kept: f64, minutes: f64| {
            format!("{} of {} min kept", figures(minutes_kept, 1), figures(minutes, 1))
        };
        match event {
            Event::ScanFailed { scan, problem, .. } => Some(format!("{scan}: failed: {problem}")),
            Event::ChildFailed { child, problem } => Some(format!("{child}: no report: {problem}")),
            _ if self.quiet => None,
            Event::Started { study, scans, to_do, jobs, .. } => {
                let unchanged = scans - to_do;
                let scans = out::counted(*scans, "scan", "scans");
                Some(format!("{study}: {scans}, {to_do} to do, {unchanged} unchanged, {jobs} at a time"))
            }
            Event::ScanStarted { scan, frames } if self.verbose => Some(format!("{scan}: reading {frames} frames")),
            Event::ScanDone { scan, minutes, minutes_kept, mean_fd_mm, verdict, noticed, seconds } => Some(format!(
                "{scan}: {}, mean FD {} mm, {}{} ({} s)",
                kept(*minutes_kept, *minutes),
                figures(*mean_fd_mm, 3),
                verdict.key(),
                noticed.iter().map(|noticed| format!(", {}", noticed.key())).collect::<String>(),
                figures(*seconds, 1)
            )),
            Event::ScanUnchanged { scan } if self.verbose => Some(format!("{scan}: unchanged")),
            Event::Warning { about, message } | Event::ScanWarning { about, message, .. } => {
                Some(format!("{about}: note: {message}"))
            }
            Event::ChildDone { child, minutes_kept, verdict } if self.verbose => {
                Some(format!("{child}: {} min kept in all, {}", figures(*minutes_kept, 1), verdict.key()))
            }
            _ => None,
        }
    }
}

impl Bars {
    fn show(&self, event: &Event) {
        let mut scans = self.scans.lock().unwrap_or_else(|e| e.into_inner());
        let mut cohort = self.cohort.lock().unwrap_or_else(|e| e.into_inner());
        match event {
            Event::Started { to_do, .. } => {
                let bar = ProgressBar::new(*to_do as u64 * PARTS).with_style(style("{msg} {wide_bar} {left}"));
                let bar = self.all.add(bar);
                bar.enable_steady_tick(Duration::from_secs(1));
                *cohort = Some(Cohort { bar, done: 0, to_do: *to_do });
            }
            Event::ScanStarted { scan, frames } => {
                let bar =
                    ProgressBar::new(*frames as u64).with_style(style("  {msg} {wide_bar} {pos} of {len} frames"));
                let bar = self.all.add(bar);
                bar.set_message(scan.clone());
                scans.insert(scan.clone(), bar);
            }
            Event::Frames { scan, read } => {
                if let Some(bar) = scans.get(scan) {
                    bar.set_position(*read as u64);
                }
            }
            Event::ScanDone { scan, .. } | Event::ScanFailed { scan, .. } => {
                if let Some(bar) = scans.remove(scan) {
                    bar.finish_and_clear();
                }
                if let Some(cohort) = &mut *cohort {
                    cohort.done += 1;
                }
            }
            Event::Finished { .. } => {
                scans.drain().for_each(|(_, bar)| bar.finish_and_clear());
                if let Some(cohort) = cohort.take() {
                    cohort.bar.finish_and_clear();
                }
            }
            _ => {}
        }
        if let Some(cohort) = &*cohort {
            let share = |bar: &ProgressBar| bar.position() as f64 / bar.length().unwrap_or(1).max(1) as f64;
            cohort.draw(scans.values().map(share).sum());
        }
    }
}

/// One bar for the part of a stack that is being worked on; nothing off a terminal.
pub(crate) struct Steps {
    /// With what it counts.
    bar: Option<Mutex<(ProgressBar, String)>>,
}

impl Steps {
    pub(crate) fn new(common: &Common) -> Self {
        let drawn = !common.quiet && std::io::stderr().is_terminal();
        Self { bar: drawn.then(|| Mutex::new((ProgressBar::hidden(), String::new()))) }
    }

    /// Shows how far it has come; another part gets another bar.
    pub(crate) fn show(&self, step: &Step) {
        let Some(bar) = &self.bar else { return };
        let mut bar = bar.lock().unwrap_or_else(|e| e.into_inner());
        if bar.1 != step.what {
            bar.0.finish_and_clear();
            let template = format!("{{msg}} {{wide_bar}} {{pos}} of {{len}} {}", step.unit);
            let new = ProgressBar::new(step.of as u64).with_style(style(&template));
            new.set_message(step.what.clone());
            new.enable_steady_tick(Duration::from_secs(1));
            *bar = (new, step.what.clone());
        }
        bar.0.set_position(step.done as u64);
    }

    /// Takes the bar away.
    pub(crate) fn done(&self) {
        if let Some(bar) = &self.bar {
            bar.lock().unwrap_or_else(|e| e.into_inner()).0.finish_and_clear();
        }
    }
}

/// A bar's look; the templates are constant, and a wrong one falls back to indicatif's own.
fn style(template: &str) -> ProgressStyle {
    let left = |state: &ProgressState, out: &mut dyn std::fmt::Write| {
        let _ = match state.pos() {
            0 => out.write_str("time left not known yet"),
            _ => write!(out, "{} left", HumanDuration(state.eta())),
        };
    };
    ProgressStyle::with_template(template)
        .map(|style| style.with_key("left", left).progress_chars("━╸─"))
        .unwrap_or_else(|_| ProgressStyle::default_bar())
}
