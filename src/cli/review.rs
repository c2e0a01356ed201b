//! `keepstill review`.

use std::fmt::Write;
use std::io;
use std::net::{IpAddr, Ipv4Addr};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::thread;

use clap::Args;
use keepstill::event::Event;
use keepstill::outputs::CAUTION;
use keepstill::report::figures;
use keepstill::review::overview::{ChildReview, Overview, Pair};
use keepstill::review::server::{Options, Server};
use keepstill::review::table;
use serde_json::json;

use super::exit::{self, Failure};
use super::out::counted;
use super::{Common, out};

/// Look at each child in the browser and decide: include, exclude or unsure.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  keepstill review results --open
  keepstill review results --port 8123
  keepstill review results --agreement         who agrees how far, and what is to be settled

Each decision is one line of review/decisions.tsv in the results folder and is never rewritten. Group, sex and age are \
hidden until somebody asks for them, which is noted in review/unhidden.tsv. The reasons to choose from are in \
review/reasons.txt; edit it as you like. The address that is printed holds an access token, without which nobody is \
let in, other users of this machine neither. Ctrl-C ends the server.")]
pub(crate) struct Review {
    /// The results folder.
    #[arg(value_hint = clap::ValueHint::DirPath)]
    results: PathBuf,
    /// Open the page in the browser.
    #[arg(long)]
    open: bool,
    /// The port to listen on [default: any that is free].
    #[arg(long, value_name = "PORT", default_value_t = 0, hide_default_value = true)]
    port: u16,
    /// Listen on this address of the machine, so that others can reach the pages; 0.0.0.0 is all of its addresses
    /// [default: 127.0.0.1, this machine alone].
    #[arg(long, value_name = "IP", default_value_t = IpAddr::V4(Ipv4Addr::LOCALHOST), hide_default_value = true)]
    address: IpAddr,
    /// Serve nothing: tell where each child stands and how far reviewers agree.
    #[arg(long, conflicts_with_all = ["open", "port", "address"])]
    agreement: bool,
}

pub(crate) fn main(args: &Review, common: &Common) -> Result<u8, Failure> {
    if args.agreement { tell_agreement(args, common) } else { serve(args, common) }
}

fn serve(args: &Review, common: &Common) -> Result<u8, Failure> {
    let options = Options { results: args.results.clone(), address: args.address, port: args.port };
    let tell = |event: &Event| {
        if let Event::Warning { about, message } = event {
            out::note(&format!("{about}: {message}"));
        }
    };
    let server = Server::open(&options, Arc::new(tell)).map_err(Failure::nothing_done)?;
    let (url, decisions) = (server.url(), server.decisions());
    if common.json {
        out::json(&json!({ "url": url, "decisions": decisions.display().to_string() }))?;
    }
    out::note(&format!("{}, {}: {url}", server.study(), counted(server.children(), "child", "children")));
    if server.lacks_pages() {
        out::note(
            "No child has a page, and children can be decided on only with pages: set output.pages = true in the study \
            file and run it again.",
        );
    }
    if server.is_open_to_others() {
        out::note(
            "Warning: other machines can reach this address, and what is sent is not encrypted. Whoever has the whole \
            address, with its access token, can look and decide.",
        );
    }
    let at = server.address();
    if at.ip().is_unspecified() {
        out::note(&format!(
            "It listens on every address of this machine. From another machine, put the name or address of this one in \
            place of {}.",
            at.to_string().trim_end_matches(&format!(":{}", at.port()))
        ));
    }
    if !common.quiet {
        out::note(&format!("Decisions go to {}. Ctrl-C ends the server.", decisions.display()));
        out::note(CAUTION);
    }
    // Other users of the machine can read what a program is started with: not the access token.
    if args.open
        && let Err(error) = open_in_browser(&server.url_for_one_use().map_err(Failure::nothing_done)?)
    {
        out::note(&format!("No browser could be started ({error}); open the address above in one."));
    }
    server.run().map_err(Failure::nothing_done)?;
    out::note(&if decisions.is_file() {
        format!("Ended. Decisions are in {}.", decisions.display())
    } else {
        "Ended. Nothing was decided.".to_owned()
    });
    Ok(exit::ALL_DONE)
}

/// Asks the desktop to open an address; no shell has a part in it.
fn open_in_browser(url: &str) -> io::Result<()> {
    let opener = if cfg!(target_os = "macos") { "open" } else { "xdg-open" };
    let silent = || Stdio::null();
    let mut child = Command::new(opener).arg(url).stdin(silent()).stdout(silent()).stderr(silent()).spawn()?;
    // It may stay for as long as the browser does.
    thread::spawn(move || child.wait());
    Ok(())
}

fn tell_agreement(args: &Review, common: &Common) -> Result<u8, Failure> {
    let found = table::overview(&args.results).map_err(Failure::nothing_done)?;
    for words in &found.skipped {
        out::note(words);
    }
    if common.json {
        out::json(&json!(found))?;
    } else {
        out::text(&in_words(&found))?;
    }
    Ok(exit::ALL_DONE)
}

fn in_words(found: &Overview) -> String {
    let words = [
        ("include", "include"),
        ("exclude", "exclude"),
        ("unsure", "unsure"),
        ("disagreement", "to be settled"),
        ("out_of_date", "decided on results that have changed"),
        ("n/a", "not decided"),
    ];
    let count = |key: &str| {
        let is = |child: &&(String, ChildReview)| child.1.standing.review.key() == key;
        found.children.iter().filter(is).count()
    };
    let parts: Vec<String> = words
        .iter()
        .map(|(key, words)| (count(key), words))
        .filter(|(count, _)| *count > 0)
        .map(|(count, words)| format!("{count} {words}"))
        .collect();
    let mut text = format!("{}: {}.\n", counted(found.children.len(), "child", "children"), parts.join(", "));
    for pair in &found.agreement {
        let _ = writeln!(text, "{}", agreement_in_words(pair));
    }
    if !found.disagreements.is_empty() {
        let _ = writeln!(text, "To be settled: {}.", found.disagreements.join(", "));
    }
    text
}

fn agreement_in_words(pair: &Pair) -> String {
    let [first, second] = &pair.reviewers;
    let who = format!("{first} and {second}");
    if pair.children == 0 {
        return format!("{who}: they have decided on no child in common.");
    }
    let both = format!("{who}: {}, the same word for {}", counted(pair.children, "child", "children"), pair.agree);
    match (pair.kappa, pair.low, pair.high) {
        (Some(kappa), Some(low), Some(high)) => format!(
            "{both}; Cohen's kappa {} (95 % interval {} to {}).",
            figures(kappa, 2),
            figures(low, 2),
            figures(high, 2)
        ),
        (Some(kappa), ..) => format!(
            "{both}; Cohen's kappa {} (95 % interval n/a: there is too little data to say how certain it is).",
            figures(kappa, 2)
        ),
        _ => format!("{both}; no kappa, since both gave every child the same word."),
    }
}
