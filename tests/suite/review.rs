//! `keepstill review`, over a real socket: the built command serves a results folder, and a tiny client asks it.
//!
//! `decide.rs` holds decisions and what follows from them, `refuse.rs` what is not answered, `crash.rs` what is left
//! after a kill.

mod crash;
mod decide;
mod refuse;

use std::fmt::Write as _;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::process::{Child, ChildStderr, Stdio};

use keepstill::pages::{self, CohortData, Mode};
use serde_json::{Value, json};

use crate::builders::{Folder, Tiny, cells};

/// What blinding must hide; it stands in the participants table alone.
const MARKER: &str = "quokka-marker";

/// A finished study of three children, whose participants table carries the marker.
fn finished() -> Folder {
    let folder = Tiny::default().build();
    folder.edit("participants.tsv", "morning", MARKER);
    folder.run(&[]).expect(0);
    assert!(folder.read("results/cohort.html").contains(MARKER), "the pages carry what is to be hidden");
    folder
}

/// Changes the data of a finished study's cohort page, as another run would.
fn change_cohort(folder: &Folder, change: impl FnOnce(&mut CohortData)) {
    let mut data = pages::cohort_data(&folder.read("results/cohort.html")).unwrap();
    change(&mut data);
    folder.write("results/cohort.html", &pages::cohort_page(&data, Mode::File));
}

/// A server at work; killed when dropped.
struct Served {
    child: Child,
    stderr: BufReader<ChildStderr>,
    /// What is opened.
    url: String,
    results: PathBuf,
    /// `127.0.0.1:PORT`.
    host: String,
    /// What lets in: name and value.
    cookie: String,
    token: String,
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[derive(Debug)]
struct Answer {
    status: u16,
    /// Names in small letters.
    headers: Vec<(String, String)>,
    body: String,
}

impl Answer {
    fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str())
    }

    fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }

    /// The words of a refusal, of a page or of JSON.
    #[track_caller]
    fn refused(&self, status: u16) -> String {
        assert_eq!(self.status, status, "{self:?}");
        if self.header("content-type") != Some("text/html; charset=utf-8") {
            return self.json()["error"].as_str().unwrap().to_owned();
        }
        let (_, after) = self.body.split_once("<p id=\"words\">").unwrap();
        let words = after.split("</p>").next().unwrap();
        let marks = [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&#39;", "'"), ("&amp;", "&")];
        marks.iter().fold(words.to_owned(), |words, (from, to)| words.replace(from, to))
    }

    /// The JSON of a 200.
    #[track_caller]
    fn good(&self) -> Value {
        assert_eq!(self.status, 200, "{self:?}");
        self.json()
    }
}

/// Reads one answer off a connection; that to HEAD has no body.
fn read_answer(stream: &mut impl BufRead, method: &str) -> std::io::Result<Answer> {
    let broken = || std::io::Error::other("the answer broke off");
    let mut line = String::new();
    stream.read_line(&mut line)?;
    let status = line.split(' ').nth(1).and_then(|word| word.parse().ok()).ok_or_else(broken)?;
    let mut headers: Vec<(String, String)> = Vec::new();
    loop {
        line.clear();
        if stream.read_line(&mut line)? == 0 {
            return Err(broken());
        }
        let Some((name, value)) = line.trim_end().split_once(": ") else { break };
        headers.push((name.to_lowercase(), value.to_owned()));
    }
    let length = headers.iter().find(|(name, _)| name == "content-length").map_or(0, |(_, n)| n.parse().unwrap());
    let mut body = vec![0; if method == "HEAD" { 0 } else { length }];
    stream.read_exact(&mut body)?;
    Ok(Answer { status, headers, body: String::from_utf8(body).unwrap() })
}

/// A request's bytes; the host is added unless it is among the headers.
fn request(host: &str, method: &str, target: &str, headers: &[(&str, &str)], body: &[u8]) -> Vec<u8> {
    let mut text = format!("{method} {target} HTTP/1.1\r\n");
    if !headers.iter().any(|(name, _)| name.eq_ignore_ascii_case("host")) {
        let _ = write!(text, "Host: {host}\r\n");
    }
    for (name, value) in headers {
        let _ = write!(text, "{name}: {value}\r\n");
    }
    if method == "POST" {
        let _ = write!(text, "Content-Length: {}\r\n", body.len());
    }
    [text.as_bytes(), b"\r\n", body].concat()
}

impl Served {
    fn start(folder: &Folder) -> Self {
        Self::start_with(folder, &[])
    }

    fn start_with(folder: &Folder, more: &[&str]) -> Self {
        Self::start_in(folder, &[&["results"], more].concat(), &[])
    }

    /// With arguments and the environment.
    fn start_in(folder: &Folder, more: &[&str], environment: &[(&str, &str)]) -> Self {
        let mut command = folder.command(&[&["review", "--json"], more].concat());
        command.envs(environment.iter().copied()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut told = String::new();
        let mut stdout = BufReader::new(child.stdout.take().unwrap());
        while !told.contains('}') {
            if stdout.read_line(&mut told).unwrap() == 0 {
                let mut said = String::new();
                child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
                panic!("the server did not start: {said}");
            }
        }
        let stderr = BufReader::new(child.stderr.take().unwrap());
        let url = serde_json::from_str::<Value>(&told).unwrap()["url"].as_str().unwrap().to_owned();
        let host = url.trim_start_matches("http://").split('/').next().unwrap().to_owned();
        let results = folder.join("results");
        let mut served = Self { child, stderr, url, results, host, cookie: String::new(), token: String::new() };
        let entered = served.get(served.url.strip_prefix(&format!("http://{}", served.host)).unwrap());
        served.cookie = entered.header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
        let page = served.get("/");
        assert_eq!(page.status, 200, "{page:?}");
        let (_, after) = page.body.split_once("<meta name=\"keepstill-token\" content=\"").unwrap();
        served.token = after.split('"').next().unwrap().to_owned();
        served
    }

    fn port(&self) -> &str {
        self.host.rsplit(':').next().unwrap()
    }

    fn connect(&self) -> TcpStream {
        TcpStream::connect(("127.0.0.1", self.port().parse::<u16>().unwrap())).unwrap()
    }

    /// Asks as a browser that was let in, unless the headers bring cookies of their own.
    fn ask(&self, method: &str, target: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut stream = self.connect();
        let mut headers = [headers, &[("Connection", "close")]].concat();
        if !headers.iter().any(|(name, _)| *name == "Cookie") {
            headers.push(("Cookie", &self.cookie));
        }
        stream.write_all(&request(&self.host, method, target, &headers, body)).unwrap();
        read_answer(&mut BufReader::new(stream), method).unwrap()
    }

    fn get(&self, target: &str) -> Answer {
        self.ask("GET", target, &[], b"")
    }

    fn post(&self, target: &str, body: &Value) -> Answer {
        let headers = [("X-Keepstill-Token", self.token.as_str()), ("Content-Type", "application/json")];
        self.ask("POST", target, &headers, body.to_string().as_bytes())
    }

    /// All that there is to know.
    fn state(&self) -> Value {
        self.get("/api/state?reveal=1").good()
    }

    /// What a reviewer may know.
    fn state_for(&self, query: &str) -> Value {
        self.get(&format!("/api/state?{query}")).good()
    }

    fn decide(&self, stem: &str, reviewer: &str, decision: &str, more: Value) -> Answer {
        self.post("/api/decide", &self.decision(stem, reviewer, decision, more))
    }

    /// A decision on the results as the cohort page has them now.
    fn decision(&self, stem: &str, reviewer: &str, decision: &str, more: Value) -> Value {
        let data = pages::cohort_data(&fs::read_to_string(self.results.join("cohort.html")).unwrap()).unwrap();
        let digest = &data.rows.iter().find(|row| row.stem == stem).unwrap().results_digest;
        let mut whole = json!({ "stem": stem, "reviewer": reviewer, "decision": decision, "reason": null, "note": null,
            "settles": false, "results_digest": digest, "shown": null });
        for (key, value) in more.as_object().into_iter().flatten() {
            whole[key] = value.clone();
        }
        whole
    }

    /// Ends the server as Ctrl-C does; what it said.
    fn interrupt(mut self) -> String {
        let done = std::process::Command::new("kill").args(["-INT", &self.child.id().to_string()]).status().unwrap();
        assert!(done.success());
        let mut said = String::new();
        self.stderr.read_to_string(&mut said).unwrap();
        assert_eq!(self.child.wait().unwrap().code(), Some(0), "{said}");
        said
    }
}

/// The lines of decisions.tsv below its header.
fn decisions(folder: &Folder) -> Vec<Vec<String>> {
    let text = fs::read_to_string(decisions_path(folder)).unwrap_or_default();
    cells(&text).into_iter().skip(1).collect()
}

fn decisions_path(folder: &Folder) -> PathBuf {
    folder.join("results/review/decisions.tsv")
}

/// The cells of cohort.tsv under these columns, one row per child.
fn cohort_cells<const N: usize>(folder: &Folder, columns: [&str; N]) -> Vec<[String; N]> {
    let table = cells(&folder.read("results/cohort.tsv"));
    let at = columns.map(|name| table[0].iter().position(|column| column == name).unwrap());
    table[1..].iter().map(|row| at.map(|place| row[place].clone())).collect()
}
