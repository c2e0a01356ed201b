//! A server that is killed in the middle of everything: what it confirmed is on disk.

use std::collections::HashSet;
use std::io::{BufReader, Write};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use keepstill::review::decisions as library;
use serde_json::json;

use super::{Served, decisions_path, finished, read_answer, request};

/// Decisions that two connections want to make, and how many are confirmed when the server is killed.
const WANTED: usize = 500;

#[test]
fn every_confirmed_decision_outlives_a_kill() {
    let folder = finished();
    let mut before = 0;
    for killed_after in [1, 60, 230] {
        let mut served = Served::start(&folder);
        let confirmed: Mutex<HashSet<String>> = Mutex::new(HashSet::new());
        let count = AtomicUsize::new(0);
        let bodies: Vec<Vec<(String, Vec<u8>)>> = (0..2)
            .map(|connection| {
                let whole = served.decision("sub-02", ["AB", "CD"][connection], "unsure", json!({}));
                (0..WANTED / 2)
                    .map(|i| {
                        let note = format!("{killed_after} {connection} {i}{}", "x".repeat(i % 200));
                        let mut whole = whole.clone();
                        whole["note"] = json!(note);
                        (note, whole.to_string().into_bytes())
                    })
                    .collect()
            })
            .collect();
        let child = &mut served.child;
        let (host, token, cookie) = (served.host.clone(), served.token.clone(), served.cookie.clone());
        // Both are there before the first decision: the server may be killed right after it.
        let connect = || std::net::TcpStream::connect(host.as_str()).unwrap();
        let streams = [connect(), connect()];
        thread::scope(|scope| {
            for (bodies, mut stream) in bodies.iter().zip(streams) {
                let (confirmed, count, host, token, cookie) = (&confirmed, &count, &host, &token, &cookie);
                scope.spawn(move || {
                    let mut answers = BufReader::new(stream.try_clone().unwrap());
                    for (note, body) in bodies {
                        let headers = [
                            ("X-Keepstill-Token", token.as_str()),
                            ("Content-Type", "application/json"),
                            ("Cookie", cookie.as_str()),
                        ];
                        if stream.write_all(&request(host, "POST", "/api/decide", &headers, body)).is_err() {
                            return;
                        }
                        // The killed server breaks off here.
                        let Ok(answer) = read_answer(&mut answers, "POST") else { return };
                        answer.good();
                        confirmed.lock().unwrap().insert(note.clone());
                        count.fetch_add(1, Ordering::SeqCst);
                    }
                });
            }
            while count.load(Ordering::SeqCst) < killed_after {
                thread::yield_now();
            }
            child.kill().unwrap();
        });
        assert!(!served.child.wait().unwrap().success());
        let confirmed = confirmed.into_inner().unwrap();
        assert!(confirmed.len() >= killed_after && confirmed.len() < WANTED, "{} confirmed", confirmed.len());

        let found = library::read(&folder.join("results")).unwrap();
        assert!(found.skipped.len() <= 2, "{:?}", found.skipped);
        let notes: HashSet<&str> = found.lines.iter().filter_map(|line| line.note.as_deref()).collect();
        let lost: Vec<&String> = confirmed.iter().filter(|note| !notes.contains(note.as_str())).collect();
        assert!(lost.is_empty(), "{lost:?}");
        // Each connection had at most one more under way.
        assert!(found.lines.len() <= before + confirmed.len() + 2);
        before = found.lines.len();
    }
    // What a kill amid a write would leave: told of, and gone on from.
    let text = std::fs::read_to_string(decisions_path(&folder)).unwrap();
    std::fs::write(decisions_path(&folder), &text[..text.len() - 30]).unwrap();
    let served = Served::start(&folder);
    let skipped = served.state()["skipped"].clone();
    assert!(skipped[0].as_str().unwrap().contains("has no line end"), "{skipped}");
    served.decide("sub-01", "AB", "include", json!({})).good();
    let found = library::read(&folder.join("results")).unwrap();
    assert_eq!(found.lines.len(), before, "one torn off, one added");
}

#[test]
fn two_servers_on_one_folder_lose_nothing() {
    let folder = finished();
    let servers = [Served::start(&folder), Served::start(&folder)];
    thread::scope(|scope| {
        for (served, reviewer) in servers.iter().zip(["AB", "CD"]) {
            scope.spawn(move || {
                for i in 0..40 {
                    served.decide("sub-01", reviewer, "include", json!({ "note": format!("{reviewer} {i}") })).good();
                }
            });
        }
    });
    let found = library::read(&folder.join("results")).unwrap();
    assert_eq!((found.lines.len(), found.skipped.len()), (80, 0));
    for served in &servers {
        assert_eq!(served.state()["children"]["sub-01"]["decisions"].as_array().unwrap().len(), 80);
    }
}
