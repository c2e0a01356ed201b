//! Progress: bars on a terminal (one for the cohort with the time left, one for each scan in work), plain lines elsewhere.

use std::collections::HashMap;
use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressStyle};
use keepstill::event::Event;
use keepstill::report::figures;

use super::{Common, out};

/// Draws events on standard error.
pub(crate) struct Progress {
    quiet: bool,
    verbose: bool,
    bars: Option<Bars>,
}

struct Bars {
    all: MultiProgress,
    cohort: Mutex<Option<ProgressBar>>,
    scans: Mutex<HashMap<String, ProgressBar>>,
}

impl Progress {
    pub(crate) fn new(common: &Common) -> Self {
        let bars = (!common.quiet && std::io::stderr().is_terminal()).then(|| Bars {
            all: MultiProgress::new(),
            cohort: Mutex::new(None),
            scans: Mutex::new(HashMap::new()),
        });
        Self { quiet: common.quiet, verbose: common.verbose, bars }
    }

    /// Shows one event.
    pub(crate) fn show(&self, event: &Event) {
        if let Some(line) = self.line(event) {
            match &self.bars {
                Some(bars) => drop(bars.all.println(line)),
                None => out::note(&line),
            }
        }
        if let Some(bars) = &self.bars {
            bars.show(event);
        }
    }

    /// The line that an event is worth, if any.
    fn line(&self, event: &Event) -> Option<String> {
        let kept = |minutes_kept: f64, minutes: f64| {
            format!("{} of {} min kept", figures(minutes_kept, 1), figures(minutes, 1))
        };
        match event {
            Event::ScanFailed { scan, problem } => Some(format!("{scan}: failed: {problem}")),
            Event::ChildFailed { child, problem } => Some(format!("{child}: no report: {problem}")),
            _ if self.quiet => None,
            Event::Started { study, scans, to_do, jobs, .. } => {
                let unchanged = scans - to_do;
                Some(format!("{study}: {scans} scans, {to_do} to do, {unchanged} unchanged, {jobs} at a time"))
            }
            Event::ScanStarted { scan, frames } if self.verbose => Some(format!("{scan}: reading {frames} frames")),
            Event::ScanDone { scan, minutes, minutes_kept, mean_fd_mm, verdict, seconds } => Some(format!(
                "{scan}: {}, mean FD {} mm, {} ({} s)",
                kept(*minutes_kept, *minutes),
                figures(*mean_fd_mm, 3),
                verdict.key(),
                figures(*seconds, 1)
            )),
            Event::ScanUnchanged { scan } if self.verbose => Some(format!("{scan}: unchanged")),
            Event::Warning { about, message } => Some(format!("{about}: note: {message}")),
            Event::ChildDone { child, minutes_kept, verdict } if self.verbose => {
                Some(format!("{child}: {} min kept in all, {}", figures(*minutes_kept, 1), verdict.key()))
            }
            _ => None,
        }
    }
}

impl Bars {
    fn show(&self, event: &Event) {
        match event {
            Event::Started { to_do, .. } => {
                let bar = self.all.add(
                    ProgressBar::new(*to_do as u64)
                        .with_style(style("{msg} {wide_bar} {pos} of {len} scans, {eta} left")),
                );
                bar.set_message("cohort");
                bar.enable_steady_tick(Duration::from_secs(1));
                *self.cohort.lock().unwrap_or_else(|e| e.into_inner()) = Some(bar);
            }
            Event::ScanStarted { scan, frames } => {
                let bar =
                    ProgressBar::new(*frames as u64).with_style(style("  {msg} {wide_bar} {pos} of {len} frames"));
                let bar = self.all.add(bar);
                bar.set_message(scan.clone());
                self.scans.lock().unwrap_or_else(|e| e.into_inner()).insert(scan.clone(), bar);
            }
            Event::Frames { scan, read } => {
                if let Some(bar) = self.scans.lock().unwrap_or_else(|e| e.into_inner()).get(scan) {
                    bar.set_position(*read as u64);
                }
            }
            Event::ScanDone { scan, .. } | Event::ScanFailed { scan, .. } => {
                if let Some(bar) = self.scans.lock().unwrap_or_else(|e| e.into_inner()).remove(scan) {
                    bar.finish_and_clear();
                }
                if let Some(bar) = &*self.cohort.lock().unwrap_or_else(|e| e.into_inner()) {
                    bar.inc(1);
                }
            }
            Event::Finished { .. } => {
                for (_, bar) in self.scans.lock().unwrap_or_else(|e| e.into_inner()).drain() {
                    bar.finish_and_clear();
                }
                if let Some(bar) = self.cohort.lock().unwrap_or_else(|e| e.into_inner()).take() {
                    bar.finish_and_clear();
                }
            }
            _ => {}
        }
    }
}

/// A bar's look; the templates are constant, and a wrong one falls back to indicatif's own.
fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template)
        .map(|style| style.progress_chars("━╸─"))
        .unwrap_or_else(|_| ProgressStyle::default_bar())
}
